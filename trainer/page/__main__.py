"""`python -m trainer.page HOST PORT CODE`: serve the page; what to show comes as JSON lines on standard input,
what is pressed goes out as JSON lines on standard output."""

from __future__ import annotations

import sys

from trainer.page.server import run

if __name__ == "__main__":
    run(sys.argv[1], int(sys.argv[2]), sys.argv[3])

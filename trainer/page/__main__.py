"""`python -m trainer.page HOST ADDRESS PORT`: serve the page; the code, then what to show, as JSON lines on standard
input (what is in a command's arguments everybody on the machine can read); what is pressed goes out as JSON lines on
standard output. HOST is the name that it is asked for by, ADDRESS where it listens.
"""

from __future__ import annotations

import sys

from trainer.page.server import run

if __name__ == "__main__":
    run(sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.stdin.buffer.readline().decode().strip())

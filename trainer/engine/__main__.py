"""`python -m trainer.engine`: the running session in a process of its own. Started by the front."""

import sys

from trainer.engine.process import main

if __name__ == "__main__":
    sys.exit(main())

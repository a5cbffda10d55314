"""The command line: commands, exit statuses, wiring.

Only the standard library and the option parser are imported at start; every command imports its rooms when it runs.
Exit statuses: 0 done · 1 a fault of the program · 2 the input's, the person's or the hardware's · 130 interrupted.
"""

from trainer.cli.run import main

__all__ = ["main"]

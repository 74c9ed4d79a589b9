"""`python -m premix` is the command `premix`."""

from premix.cli.main import entry

entry()

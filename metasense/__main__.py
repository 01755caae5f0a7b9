"""``python -m metasense``: the command line where the installed script is not on the path."""

import sys

from metasense.cli import main

if __name__ == "__main__":
    sys.exit(main())

"""The ``metasense`` command, also as ``python -m metasense``; a failure to start it does not pass for an answer."""

import sys


def main() -> int:
    """Run the command line; 3 if even that cannot be imported, as 1 would mean an answer with warnings."""
    try:
        from metasense.cli import main as run
    except BaseException as fault:  # a damaged installation can fail in any way
        print(f"metasense cannot be started ({type(fault).__name__}: {fault}). Install it again.", file=sys.stderr)
        return 3
    return run()


if __name__ == "__main__":
    sys.exit(main())

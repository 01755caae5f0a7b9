"""The command line, thin around notebooks: a command for every step, in the words of the library.

Exit code 0: fine. 1: answered, with warnings that matter. 2: cannot be answered; the reason is on stderr. 3: a fault of
metasense itself. 128 and the number of a signal: ended by it, with nothing left half done. Nothing but the standard
library is imported before a fault would be caught, so that an installation that does not work cannot pass for an answer
either.

``running.py`` runs a command and turns what happens into an exit code; ``commands.py`` and ``options.py`` state the
commands and their options; ``before.py``, ``plan.py``, ``reading.py`` and ``answer.py`` do them; ``parser.py`` mends
mistyped words, ``phrases.py`` says in options what the library says in arguments, ``printing.py`` sets lines.
"""

from metasense.cli.running import main as main

__all__ = ["main"]

"""What the library says of arguments and methods, said of options and commands."""

from __future__ import annotations

import re

QUESTIONS = {  # what `ask` can be asked, and what it is
    "panels": "each panel alone, and among the others",
    "verdict": "beyond the margin, within it, or not settled",
    "statement": "a paragraph to paste",
    "methods": "how the answer was worked out, to paste",
    "disagreement": "how often one constant difference would look as mixed",
    "explanations": "nothing to taste, one difference, or panels that differ",
    "averaged": "the answer, an exact 0 counted where there may be nothing",
    "regulars": "what it means that the same people came again",
    "some": "if only some panels have something to taste",
    "sensitivity": "other priors, and without single panels",
    "path": "the answer after each panel, in date order",
    "drawer": "panels that never came to light",
    "leak": "if some tasters knew the answer by other means",
    "habits": "where the right cup stood, and what guessers pick",
    "operating": "how often panels like yours would give each verdict",
    "fit": "whether the panels fit the model",
    "leave-one-out": "how probable each panel was to the others",
    "rate": "the share of correct answers in a protocol",
    "counts": "how many may be correct in the next panel",
    "effects": "places, orders and repeats compared",
}
_VALUE = r"('[^']*'|\"[^\"]*\"|\.\.\.|[\w.%]+|)"
_OPTIONS = {
    "overwrite": "--overwrite",
    "sheet": "--sheet",
    "margin": "--margin",
    "more": "--more",
    "reference": "--reference",
    "attribute": "--attribute",
    "moderators": "--moderator",
    "through_zero": "--through-zero",
    "within": "--within",
    "tastings": "--tastings",
    "p_d": "--p-d",
    "d_prime": "--d-prime",
    "alpha": "--alpha",
    "beta": "--beta",
    "method": "--method",
    "seed": "--seed",
    "name": "--name",
    "panel": "--panel",
    "blind": "--blind",
    "samples": "--samples",
    "allergens": "--allergens",
    "hazards": "--hazards",
    "threshold": "--threshold",
    "language": "--language",
    "texts": "--texts",
    "pairs": "--pairs",
    "placebo": "--placebo",
    "by": "--by",
}
_RULES = tuple(
    (re.compile(pattern), instead)
    for pattern, instead in (
        (r"margin=ms\.Margin\([^)]*\) or (?=--margin)", ""),
        (r"pool\(\.\.\., margin=\.\.\.\) or plan_next\(\.\.\., (margin=\"[^\"]*\")\)", r"\1"),
        (r"\bpool\(\.\.\., (\w+=[^()]*)\)", r"\1"),
        (r"(?:details|in_full)\(\), or --details in a terminal", "--details"),
        (r"; the error's \.to_frame\(\) holds them all", "; metasense check FILE --details lists them all"),
        (r"; to_frame\(\) holds them all", "; --details or --format csv gives them all"),
        (rf"\b(?:pooled)?\.({'|'.join(QUESTIONS)})\(\)", r"metasense ask \1"),
        (r"\bpooled\.(tasters|preference)\(\)", r"metasense \1"),
        (r"\b(?:ms\.)?plan_next(?:\(pooled\))?(?!\()", "metasense next"),
        (r"\bpool without moderators= and within=, or give the \.plain of such a pool; got \w+", "pool without "
         "--moderator and --within"),
        (r"; or give separate blind pairs as pairs=", "; or give a table of separate blind pairs with --pairs"),
        (r"^tastings (?=is the number of answers in the next)", "--tasters "),
        (r"\b(panels|tasters) = (-?\d+)", r"--\1 \2"),
        (r"\btogether\(\)", "--together"),
        (r"^prior (?=holds the probabilities)", "--odds "),
        (r"^nothing (?=is the share of panels)", "--nothing "),
        (r"leave those panels out: panels\.where\(lambda frame: frame\[.*?\]\.notna\(\), .*? known[\'\"]\)",
         "leave those panels out with yes in a column left_out"),
        (r"\bpool them all with pool\(\)", "pool them all"),
        (r"\bin details\(\)", "with --details"),
        (r"keep one row a tasting, and pool\(tastings\)", "and keep one row a tasting"),
        (r"keep the answers one row a tasting, and pool\(panels, tastings=tastings\)",
         "name the table of tastings too, with --tastings; metasense answers KEY ANSWERS --tastings OUT.csv writes it"),
        (r"\bread_answers\(key, answers\)(?:, or in a terminal)? with: metasense answers KEY ANSWERS",
         "metasense answers KEY ANSWERS --tastings OUT.csv"),
    )
)  # fmt: skip
_ARGUMENT = re.compile(rf"(?<![\w'\"-])({'|'.join(_OPTIONS)})={_VALUE}")
_OR_AGAIN = re.compile(r"(--[a-z][a-z-]*) or \1(?![\w-])")
_TWICE = re.compile(r"(--[a-z][a-z-]*)((?: '[^']*'| \"[^\"]*\"| \S+)?) \(\1[^)]*\)")


def in_options(text: str) -> str:
    """The text with options and commands where it names arguments and methods.

    >>> in_options("Name a new one, or say overwrite=True (--overwrite) to replace it.")
    'Name a new one, or say --overwrite to replace it.'
    >>> in_options("more='old' or more='new' (--more)")
    "--more 'old' or --more 'new'"
    """
    for pattern, instead in _RULES:
        text = pattern.sub(instead, text)
    text = _ARGUMENT.sub(_as_option, text)
    return _OR_AGAIN.sub(r"\1", _TWICE.sub(r"\1\2", text))


def _as_option(match: re.Match[str]) -> str:
    option = _OPTIONS[match[1]]
    value = match[2]
    if value in ("", "True", "..."):
        return option
    return f"{option} {value}"

"""What every result can do: show itself, say itself at three lengths, and leave as tables for a text or a spreadsheet.

A result gives its parts in reading order, and its sentences; what a cell, a terminal, Markdown and LaTeX then hold is
the same parts set in different type.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from metasense.process import one_thread

from . import words
from .figures import Drawing
from .glance import Glance, in_lines
from .tables import Shown, Table, block, document, latex, markdown, write_csv

if TYPE_CHECKING:
    import pandas as pd


class Result:
    """Shows itself in a notebook, a terminal, Markdown and LaTeX, always with the same words.

    Examples
    --------
    >>> class Two(Result):
    ...     def _shown(self):
    ...         return ["One & one", "make two."]
    >>> Two()
    One & one
    make two.
    >>> print(Two().to_latex())
    One \\& one
    <BLANKLINE>
    make two.
    """

    _inside: ClassVar[frozenset[str]] = frozenset({"of"})  # names that only other files of the package use

    def __dir__(self) -> list[str]:
        """What a person may look for with the Tab key."""
        return [name for name in super().__dir__() if name not in self._inside]

    def _shown(self) -> Sequence[str | Shown]:
        """Its parts in reading order."""
        raise NotImplementedError

    def to_frame(self) -> pd.DataFrame:
        """Its raw numbers.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> ms.one_panel("triangle", 24, 12).to_frame()["quantity"].head(3).tolist()
        ['p_value', 'critical_number', 'actual_alpha']
        """
        raise NotImplementedError

    def to_markdown(self) -> str:
        """What a cell shows, in Markdown: its sentences and tables, and a sentence for every figure.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> ms.one_panel("triangle", 24, 12).to_markdown()[:43]
        'triangle, 12 of 24 answers correct (50 %), '
        """
        return "\n\n".join(p.to_markdown() if isinstance(p, Table) else markdown(_said(p)) for p in self._shown())

    def to_latex(self) -> str:
        """What a cell shows, in LaTeX that needs no package: its sentences and tables, a sentence for every figure.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> ms.one_panel("triangle", 24, 12).to_latex()[:36]
        'triangle, 12 of 24 answers correct ('
        """
        return "\n\n".join(p.to_latex() if isinstance(p, Table) else latex(_said(p)) for p in self._shown())

    def to_html(self) -> str:
        """What a cell shows, as an HTML document that a word processor opens: sentences and tables, no script.

        Write it to a file that ends in ``.html``, in UTF-8, and open that, or paste from it.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> ms.one_panel("triangle", 24, 12).to_html().count("<table")
        2
        """
        return document(self._shown())

    def to_csv(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write the frame of raw numbers as CSV that a spreadsheet will not run.

        Another file of that name is replaced only if it is a table, neither a key nor a sheet of answers,
        and `overwrite` is true.

        Parameters
        ----------
        path : str or path
            File to write, such as ``answer.csv``.
        overwrite : bool
            Whether a table that is there may be replaced.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        FileExistsError
            If a file of that name is there that may not be replaced.
        ValueError
            If the name does not end in ``.csv``.

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12)
        >>> panel.to_csv(f"{tempfile.mkdtemp()}/panel.csv").name
        'panel.csv'
        """
        return write_csv(self.to_frame(), path, overwrite=overwrite)

    def details(self) -> Details:
        """Everything that is known of it: all its sentences, tables and notes.

        Returns
        -------
        Details

        Examples
        --------
        >>> import metasense as ms
        >>> str(ms.one_panel("triangle", 24, 12).details())[:42]
        'triangle, 12 of 24 answers correct (50 %),'
        """
        return Details(self)

    @one_thread
    def __repr__(self) -> str:
        return _in_order(self._shown())

    @one_thread
    def __str__(self) -> str:
        return _in_order([_set(part) for part in self._shown()])

    def _picture(self) -> Shown | None:
        """The figure that a cell shows below its first sentence, where there is one."""
        return None

    @one_thread
    def _repr_html_(self) -> str:
        first, *rest = self._shown()
        picture = self._picture()
        return block(first, *rest) if picture is None else block(first, picture, *rest)


@dataclass(frozen=True, eq=False, repr=False)
class Details(Result):
    """All parts of a result, which show themselves.

    Attributes
    ----------
    of : Result
        Whose they are.
    """

    of: Result

    def _shown(self) -> Sequence[str | Shown]:
        return self.of._shown()

    def to_frame(self) -> pd.DataFrame:
        return self.of.to_frame()


class Pictured(Result):
    """A result with figures."""

    _depicts: ClassVar[str] = ""  # what its main figure shows; the answer follows

    def picture(self, kind: str = "", **how: Any) -> Drawing:
        """A figure as it stands in a cell: in the colours of the theme, with a sentence for those who cannot see it.

        ``plot`` and its kin give the same figure as matplotlib Axes, to be changed or saved.

        Parameters
        ----------
        kind : str, optional
            What stands behind ``plot_`` in the name of a method, such as ``"strip"``; that of ``plot`` by default.
        **how
            What that method takes, but for `ax`.

        Returns
        -------
        Drawing
            Shows itself in a notebook; ``alt`` is the sentence.

        Raises
        ------
        ValueError
            If there is no figure of that kind.

        Examples
        --------
        >>> import metasense as ms
        >>> ms.one_panel("triangle", 24, 12).picture("answers")
        Answers: 4 correct beyond guessing (0 to 9 fit the counts), 8 correct as guessing gives on average, 12 wrong.
        """
        from matplotlib.figure import Figure

        draw = getattr(self, f"plot_{kind}" if kind else "plot", None)
        if draw is None:
            kinds = [repr(name.removeprefix("plot_")) for name in dir(self) if name.startswith("plot_")]
            there = f"besides picture() there is {words.listing(kinds)}" if kinds else "there is only picture()"
            raise ValueError(f"there is no figure {kind!r} here; {there}.")
        axes = draw(**how, ax=Figure())
        return Drawing(lambda empty: axes, self._alt(kind, how))

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        """What a figure shows, in a sentence or two."""
        answer = next(part for part in self._shown() if isinstance(part, str))
        return f"{self._depicts} {words.one_line(answer)}"


class Statement(Result):
    """A result that can be written up: as a line, a paragraph, or the note on how it was done."""

    def headline(self) -> str:
        """The answer in one sentence.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.headline()[:50]
        'Averaged over panels like these 3, 48 % of triangl'
        """
        return words.Paragraph(self._line())

    def statement(self, *, length: str = "paragraph") -> str:
        """The result in words to paste, filled from its own numbers and nothing else.

        Parameters
        ----------
        length : {"line", "paragraph", "methods"}
            The answer in one sentence; the answer with all that a reader needs beside it; or how it was worked out.

        Returns
        -------
        str

        Raises
        ------
        ValueError
            For any other length.

        Examples
        --------
        >>> from metasense import one_panel
        >>> one_panel("triangle", 24, 12).statement(length="line")  # doctest: +NORMALIZE_WHITESPACE
        triangle, 12 of 24 answers correct (50 %), against the 33 % that guessing gives; d-prime 1.20 (0.10 to 2.23;
        95 % credible interval, equal-tailed).
        """
        says = {"line": self._line, "paragraph": self._paragraph, "methods": self._methods}
        if length not in says:
            raise ValueError(f"length is 'line', 'paragraph' or 'methods'; got {length!r}.")
        said = says[length]()
        return words.Paragraph(words.one_line(said if isinstance(said, str) else " ".join(said)))

    def _line(self) -> str:
        raise NotImplementedError

    def _paragraph(self) -> str | Iterable[str]:
        raise NotImplementedError

    def _methods(self) -> str | Iterable[str]:
        raise NotImplementedError


class Answered(Result):
    """A result with a plain answer, which is what it shows first; its details are one step away."""

    def _glance(self) -> Glance:
        """Its first screen."""
        raise NotImplementedError

    @one_thread
    def plain_answer(self) -> str:
        """What is known, in at most three short sentences.

        The verdict first, in correct answers out of 100; the most useful next step last.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.plain_answer()[:71]
        'No verdict without a margin: of 100 triangle answers about 48 would be '
        """
        return words.Paragraph(self._glance().in_short())

    @one_thread
    def __repr__(self) -> str:
        return self._glance().to_text()

    __str__ = __repr__

    @one_thread
    def _repr_html_(self) -> str:
        picture = self._picture()
        rest = [part for part in self._shown() if isinstance(part, (str, Table))]  # plot() draws what else there is
        return self._glance().to_html([] if picture is None else [picture], rest)


def _in_order(parts: Iterable[str | Shown]) -> str:
    text = ""
    after: str | Shown = ""
    for part in parts:  # sentences a line each, tables and figures between blank lines
        text += ("\n" if isinstance(part, str) and isinstance(after, str) else "\n\n") if text else ""
        text += part if isinstance(part, _Lines) else _said(part)
        after = part
    return text


class _Lines(str):
    """Text that is in lines already."""

    __slots__ = ()


def _set(part: str | Shown) -> str | Shown:
    """A part set for a terminal: sentences in lines, tables as wide as they are."""
    if isinstance(part, Table):
        return in_lines(part)
    return _Lines("\n".join(words.wrapped(_said(part))))


def _said(part: str | Shown) -> str:
    return words.one_line(part) if isinstance(part, str) else part.to_text()

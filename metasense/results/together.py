"""A shelf as a whole: how many of its variables have nothing to taste, what the others are worth, and what is luck."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense import __version__
from metasense.core.stock import ALPHA, Stock
from metasense.engine import learning as engine
from metasense.engine.batch import Unseen
from metasense.margins import Margin
from metasense.results.reading import FIRST, Reading
from metasense.showing import figures, plain, tables, words
from metasense.showing.glance import Glance, compact, cut
from metasense.showing.results import Answered, Pictured, Statement

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LITTLE = 0.05  # correct answers above guessing, as a share, that are next to nothing
FEW = 10  # variables below which they tell little of one another
KINDS = ("nothing to taste", "one difference", "differences that vary")
BEYOND, WITHIN, OPEN = words.VERDICTS


@dataclass(frozen=True, eq=False, repr=False)
class Together(Pictured, Answered, Statement):
    """All variables of a shelf weighed together. Made by `Shelf.together`.

    A level above the variables learns from all of them in which shares they have nothing to taste, one difference in
    all panels, or differences that vary, and how large differences are; each variable's answer then leans on the others
    as far as it knows little itself.

    Attributes
    ----------
    stock : Stock
        The variables, each pooled on its own.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"ingredient": list("AABBCC"), "panel": ["May", "June"] * 3, "protocol": "triangle", "tastings": 30,
    ...          "correct": [9, 11, 19, 21, 10, 12]}
    >>> whole = ms.pool_each(table, by="ingredient", margin="0.2 triangle").together()
    >>> whole.to_frame()[["variable", "p_none", "verdict"]].round(2)
      variable  p_none            verdict
    0        A    0.48  within the margin
    1        B    0.00  beyond the margin
    2        C    0.42  within the margin
    """

    stock: Stock = field(repr=False)

    _inside = frozenset({"stock"})
    _depicts = "Every variable beside all the others:"

    @property
    def margin(self) -> Margin | None:
        """The smallest difference that matters, where one was named."""
        return self.stock.margin

    @property
    def _reading(self) -> Reading:
        return Reading(self.stock)

    # --- numbers ----------------------------------------------------------------------------------------------------

    def to_frame(self) -> pd.DataFrame:
        """One row a variable, in the order of the table.

        Returns
        -------
        DataFrame
            ``variable, panels, tastings, correct, p_value`` (how often guessing gives so many correct or more); the
            probabilities ``p_none, p_same, p_varying``; the average d-prime, 0 where there is nothing, as ``median,
            lower, upper, prob, kind``; correct answers of the main protocol as shares ``p_c, p_c_lower, p_c_upper``;
            ``p_above, p_below, verdict`` against the margin.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").together().to_frame()["p_none"].round(2).tolist()
        [0.45, 0.0]
        """
        found = self.stock.shrunken
        middle = found.average.shape[1] // 2
        frame = self.stock.counts()
        names = ("p_none", "p_same", "p_varying")
        frame = frame.assign(**dict(zip(names, found.probability.T, strict=True)))
        return frame.assign(
            median=found.average[:, middle],
            lower=found.average[:, 0],
            upper=found.average[:, -1],
            prob=0.95,
            kind="equal-tailed",
            p_c=found.rate[:, 1],
            p_c_lower=found.rate[:, 0],
            p_c_upper=found.rate[:, 2],
            p_above=found.above,
            p_below=1 - found.above,
            verdict=[self.stock.verdict(above) for above in found.above.tolist()],
        )

    def shares(self) -> pd.DataFrame:
        """What the shelf teaches of variables like these.

        Returns
        -------
        DataFrame
            Rows for the shares of the three explanations, and for the scales of centre and spread (in d-prime units);
            columns ``quantity, median, lower, upper, prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").together().shares()["quantity"].tolist()[:2]
        ['share with nothing to taste', 'share with one difference']
        """
        learned = self.stock.learned
        rows = [(f"share with {kind}", *row) for kind, row in zip(KINDS, learned.share_ranges().tolist(), strict=True)]
        scales = learned.scale_ranges().tolist()
        rows += [(f"scale of the {name}", *row) for name, row in zip(("centre", "spread"), scales, strict=True)]
        frame = pd.DataFrame(rows, columns=["quantity", "lower", "median", "upper"])
        return frame[["quantity", "median", "lower", "upper"]].assign(prob=0.95, kind="equal-tailed")

    def nothing(self) -> tuple[float, float, float]:
        """How many of these variables have nothing to taste: median, and 2.5 and 97.5 %.

        Returns
        -------
        (float, float, float)

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").together().nothing()
        (0.0, 0.0, 1.0)
        """
        return self._number(self.stock.draws == 0)

    def hardly_anything(self) -> tuple[float, float, float]:
        """How many have nothing to taste, or next to nothing: median, and 2.5 and 97.5 %.

        Next to nothing is less than five in a hundred more correct than guessing gives, in the main protocol. How many
        have exactly nothing rests on how the differences of the others are assumed to spread; this hardly does.

        Returns
        -------
        (float, float, float)

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").together().hardly_anything()
        (1.0, 0.0, 1.0)
        """
        return self._number(self._little())

    def _little(self) -> np.ndarray:
        """Which draws are nothing or next to nothing, shape (draws, variables)."""
        test = self.stock.test
        return np.asarray(self.stock.draws < float(test.d_prime(test.guess + LITTLE)))

    def _number(self, which: np.ndarray) -> tuple[float, float, float]:
        """Median, 2.5 and 97.5 % of how many variables are such, from draws of shape (draws, variables)."""
        middle, low, high = np.quantile(which.sum(axis=1), [0.5, 0.025, 0.975], method="inverted_cdf")
        return float(middle), float(low), float(high)

    def false_alarms(self) -> pd.DataFrame:
        """How many of those called different are expected to have nothing to taste.

        Returns
        -------
        DataFrame
            Rows for panels that are statistically significant alone, for variables whose panels together are, for
            verdicts beyond the margin of each variable on its own, and (the last) the same verdicts, of which so many
            are expected to lie below the margin; columns ``called, of, number, expected, lower, upper, prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").together().false_alarms()["number"].tolist()
        [1, 1]
        """
        stock = self.stock
        alone, pools = stock.significant(), stock.counts()["p_value"].le(ALPHA).to_numpy(bool)
        per = np.array([int(alone[rows].sum()) for rows in stock.tables.rows])
        found = stock.shrunken
        none, draws = found.probability[:, 0], stock.draws
        kinds: list[tuple[str, int, np.ndarray, np.ndarray, np.ndarray]] = [
            ("panels, statistically significant alone", len(alone), per, none, draws == 0),
            ("pools, statistically significant", len(pools), pools.astype(int), none, draws == 0),
        ]
        if stock.margin is not None:
            beyond = (stock.to_frame()["verdict"] == BEYOND).to_numpy(int)
            below = draws < stock.margin.d_prime
            kinds.append(("beyond the margin on their own", len(beyond), beyond, none, draws == 0))
            kinds.append(("the same, but below the margin", len(beyond), beyond, 1 - found.above, below))
        rows = []
        for called, of, numbers, probability, wrong in kinds:
            low, high = np.quantile(wrong.astype(float) @ numbers, [0.025, 0.975], method="inverted_cdf").tolist()
            rows.append((called, of, int(numbers.sum()), float(numbers @ probability), low, high))
        frame = pd.DataFrame(rows, columns=["called", "of", "number", "expected", "lower", "upper"])
        return frame.assign(prob=0.95, kind="equal-tailed")

    def order(self) -> pd.DataFrame:
        """The variables by the size of their difference, and how far that order is known.

        Returns
        -------
        DataFrame
            One row a variable, the largest first: ``variable``, its ``rank`` (median; 1 is the largest, those with
            nothing share the last ones), ``lower, upper, prob, kind`` of the rank, and ``p_largest``.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").together().order()["variable"].tolist()
        ['2', '1']
        """
        draws = self.stock.draws
        ranks = np.empty(draws.shape)
        for row, values in zip(ranks, draws, strict=True):
            rising = np.sort(values)
            first, last = np.searchsorted(rising, values), np.searchsorted(rising, values, side="right")
            row[:] = len(values) - (first + last - 1) / 2
        low, middle, high = np.quantile(ranks, [0.025, 0.5, 0.975], axis=0)
        frame = pd.DataFrame(
            {
                "variable": self.stock.tables.names,
                "rank": middle,
                "lower": low,
                "upper": high,
                "prob": 0.95,
                "kind": "equal-tailed",
                "p_largest": (ranks == 1).mean(axis=0),
            }
        )
        by = np.lexsort((ranks.mean(axis=0), middle))
        return frame.iloc[by].reset_index(drop=True)

    def drawer(self, unrecorded: Iterable[int] = (0, 5, 10, 20), *, tastings: int | None = None) -> pd.DataFrame:
        """What changes if further variables were tried and, as nothing came of it, never written down.

        Parameters
        ----------
        unrecorded : iterable of int
            How many; each in one panel of the main protocol that was not statistically significant.
        tastings : int, optional
            Of such a panel; as many as these panels have on average by default.

        Returns
        -------
        DataFrame
            One row a number: ``unrecorded``; the share of all those tried with nothing to taste as ``share, lower,
            upper, prob, kind``; verdicts ``beyond`` and ``within`` the margin among the recorded ones.

        Raises
        ------
        ValueError
            If `unrecorded` holds no whole numbers of 0 or more, or `tastings` is none of 1 or more.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose", margin="0.2 triangle").together().drawer([0, 20])["unrecorded"].tolist()
        [0, 20]
        """
        from metasense.binomial import smallest_count

        stock, test = self.stock, self.stock.test
        counted = stock.counts()
        usual = round(counted["tastings"].sum() / counted["panels"].sum())
        size = max(int(usual), 1) if tastings is None else _size(tastings)
        unseen = Unseen(test, size, int(smallest_count(size, test.guess, ALPHA)))
        rows = []
        for number in _counts(unrecorded):
            other = stock.with_unseen(unseen, number)
            low, middle, high = other.learned.share_ranges()[0].tolist()
            said = [stock.verdict(above) for above in other.shrunken.above[: len(stock)].tolist()]
            rows.append((number, middle, low, high, said.count(BEYOND), said.count(WITHIN)))
        frame = pd.DataFrame(rows, columns=["unrecorded", "share", "lower", "upper", "beyond", "within"])
        return frame.assign(prob=0.95, kind="equal-tailed")

    @property
    def scales(self) -> tuple[float, float]:
        """Prior scales of centre and spread that suit these variables, in d-prime units."""
        centre, spread = self.stock.learned.typical_scales
        return round(centre, 3), round(spread, 3)

    @property
    def odds(self) -> tuple[float, float, float]:
        """How probable nothing, one difference and differences that vary are for a further variable like these."""
        none, same, varying = self.stock.learned.shares.tolist()
        return none, same, varying

    @property
    def learned_from(self) -> str:
        """What scales and odds were learned from, in words."""
        return self._reading.learned_from()

    # --- words ------------------------------------------------------------------------------------------------------

    def _counted(self) -> str:
        """How many have nothing to taste."""
        size = len(self.stock)
        reading = self._reading
        next_to = (
            f"nothing or next to nothing (less than {words.percent(LITTLE).removesuffix(' %')} of 100 above guessing)"
        )
        if size == 1:
            chance = words.probability(self.stock.shrunken.probability[0, 0])
            other = words.probability(self._little().mean())
            lead = f"The one {reading.noun} has nothing to taste with a probability of {chance}"
            return f"{lead}, and {next_to} with {other}."
        none, little = (
            f"{middle:.0f}{'' if low == high else f' ({low:.0f} to {high:.0f})'}"
            for middle, low, high in (self.nothing(), self.hardly_anything())
        )
        return f"Of {reading.these(size)}, about {none} have nothing to taste, and {little} {next_to}."

    def _verdicts(self, *, named: bool = True) -> str:
        reading = self._reading
        said = self.to_frame()["verdict"].to_numpy()
        if len(said) == 1:
            return reading.verdict_of_one("It", said.item())
        return reading.verdicts("Seen together,", said, named=named)

    def _luck(self) -> str:
        """How many of the statistically significant panels are expected to be luck."""
        row = self.false_alarms().iloc[0]
        number = int(row["number"])
        if not number:
            return "No panel alone seemed to show a difference."
        expected = "fewer than 1" if row["expected"] < 0.95 else f"about {row['expected']:.0f}"
        between = f" ({row['lower']:.0f} to {row['upper']:.0f})" if row["lower"] < row["upper"] else ""
        if number == 1:
            likely = words.probability(row["expected"])
            return f"The one panel that alone seemed to show a difference is luck with a probability of {likely}."
        of = words.count(number, "panel")
        return f"Of the {of} that alone seemed to show a difference, {expected}{between} are expected to be luck."

    @property
    def notes(self) -> tuple[str, ...]:
        """What a careful reader should know about this answer, in plain words."""
        reading = self._reading
        size = len(self.stock)
        found = reading.on_reversals()
        if size < FEW:
            found.append(
                f"So few {reading.plural} tell little of one another: the answer rests on what was assumed of the "
                "shares."
            )
        found += [
            f"How many {reading.plural} have exactly nothing rests on how differences are assumed to spread "
            "(half-normal, many of them small); how many have next to nothing hardly does.",
            f"Each answer leans on the other {reading.plural}. One with little of its own to say moves towards them; "
            "what was tried often and found seldom is therefore believed less, and no further correction for many "
            "comparisons is needed.",
            f"The {reading.plural} are taken as alike in kind. {reading.plural.capitalize()} that everybody knew to "
            "matter do not belong beside those tried on a whim.",
            f"{reading.plural.capitalize()} that were tried and never written down are not in this; drawer() tells "
            "what they would change.",
        ]
        return (*found, *reading.on_the_panels())

    def _glance(self) -> Glance:
        named = not self._reading.shows_beyond(self.to_frame())
        answer = (self._counted(), self._verdicts(named=named), self._luck())
        return Glance(answer, self._compact(), self.notes, self._step(), with_step=False)

    def _compact(self) -> tables.Table:
        reading = self._reading
        frame = reading.ranked(self.to_frame())
        rows = [
            (
                cut(row.variable, 24),
                words.probability(row.p_none),
                plain.of_100(row.p_c),
                f"{plain.of_100(row.p_c_lower)} to {plain.of_100(row.p_c_upper)}",
                row.verdict if self.margin is not None else "",
            )
            for row in frame.head(FIRST).itertuples()
        ]
        headers = (reading.noun, "nothing", "about", "95 % range", "verdict" if self.margin is not None else "")
        return compact(reading.caption(len(frame)), headers, rows)

    def _step(self) -> str:
        """The most useful next step."""
        if self.margin is None:
            return "say what difference would matter (margin= or --margin)."
        frame = self.to_frame()
        open_ones = frame[frame["verdict"] == OPEN]
        if not len(open_ones):
            return "decide as planned, and write it up."
        nearest = open_ones.loc[open_ones["p_above"].idxmax()]
        return (
            f"another panel on {cut(str(nearest['variable']), 40)}, the likeliest of those not settled "
            f"({words.probability(nearest['p_above'])} beyond the margin)."
        )

    def _line(self) -> str:
        return f"{self._counted()} {self._verdicts()}"

    def _paragraph(self) -> Sequence[str]:
        rows = self.shares()
        said = []
        for row in rows.iloc[:3].itertuples():
            middle, low, high = words.distinct(row.median, row.lower, row.upper, unit="percent")
            said.append(f"{row.quantity.removeprefix('share with ')} {middle} ({low} to {high})")
        return (
            self._counted(),
            self._verdicts(),
            self._luck(),
            f"The shares among {self._reading.plural} like these, as the shelf tells them (95 % credible intervals, "
            f"equal-tailed): {words.listing(said)}.",
        )

    def _methods(self) -> Sequence[str]:
        scales = self.shares().iloc[3:]
        found = [
            f"{row.quantity.removeprefix('scale of the ')} {words.d(row.median)} ({words.d(row.lower)} to "
            f"{words.d(row.upper)})"
            for row in scales.itertuples()
        ]
        usual, loose = engine.USUAL, engine.LOOSE
        return (
            *self._reading.methods(),
            "Level above: every variable has nothing to taste, one d-prime in all panels, or d-primes that vary, with "
            "shares ~ Dirichlet(1, 1, 1); the scales of the half-normal priors of centre and spread are log-normal "
            f"with medians {usual['centre_scale']:g} and {usual['spread_scale']:g} and standard deviations "
            f"{loose['centre_scale']:g} and {loose['spread_scale']:g} of their logs, cut below "
            f"{engine.NARROWEST['centre_scale']:g} and {engine.NARROWEST['spread_scale']:g} and above the widest the "
            "model takes.",
            f"Learned scales: {words.listing(found)}, in d-prime units.",
            f"Computation: summed over {engine.SCALES} x {engine.SCALES} scales and {engine.SHARES} x {engine.SHARES} "
            "shares, laid anew until they suit; orders and numbers of false alarms from 4096 joint draws. metasense "
            f"{__version__}.",
        )

    def _shown(self) -> list[str | tables.Shown]:
        reading = self._reading
        return [
            *self._paragraph(),
            reading.table(self.to_frame()),
            tables.table(self.shares(), caption="What these teach of others like them", kinds=_share_kinds()),
            self._alarms(),
            tables.table(
                self.order(), caption="In order of size, 1 the largest", labels={"p_largest": "P the largest"},
                kinds={"rank": _tenth, "lower": _tenth, "upper": _tenth, "p_largest": "probability"},
            ),
            *(f"Note: {note}" for note in self.notes),
        ]  # fmt: skip

    def _alarms(self) -> tables.Table:
        """Expected false alarms in words."""
        frame = self.false_alarms()
        between = [f"{row.lower:.0f} to {row.upper:.0f}" for row in frame.itertuples()]
        frame = frame[["called", "of", "number", "expected"]].assign(between=between)
        caption = "How many of those called different are expected to be false alarms (95 % range, equal-tailed)"
        kinds: dict[str, Any] = {"of": "count", "number": "count", "expected": _tenth, "between": "text"}
        return tables.table(frame, caption=caption, kinds=kinds)

    # --- figures ----------------------------------------------------------------------------------------------------

    def plot(self, *, ax: Any = None) -> Axes:
        """Every variable as twenty equally likely truths on a scale of correct answers, sorted.

        Parameters
        ----------
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> from matplotlib.figure import Figure
        >>> ms.pool_each(table, by="dose").together().plot(ax=Figure()).get_xlabel().splitlines()[0]
        'correct of 100 triangle answers'
        """
        return self._picture().draw(ax)

    def _picture(self) -> figures.Drawing:
        none = [f"nothing: {words.probability(p)}" for p in self.stock.shrunken.probability[:, 0].tolist()]
        return self._reading.drawing(self.to_frame(), self.stock.shrunken.average, none)

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return self._picture().alt


def _counts(given: object) -> list[int]:
    """Whole numbers of 0 or more, or an error that says what to give."""
    counts = [] if isinstance(given, str) or not isinstance(given, Iterable) else list(given)
    numbers = all(isinstance(n, (int, float, np.number)) for n in counts)
    if not counts or not numbers or not all(n >= 0 and float(n).is_integer() for n in counts):
        raise ValueError(f"unrecorded are numbers of variables, 0 or more, such as [0, 5, 10]; got {given!r}.")
    return [int(n) for n in counts]


def _size(given: Any) -> int:
    """A whole number of 1 or more, or an error that says what to give."""
    number = isinstance(given, (int, float, np.number)) and not isinstance(given, bool)
    if not number or not given >= 1 or not float(given).is_integer():
        raise ValueError(f"tastings are those of such a panel, a whole number of 1 or more; got {given!r}.")
    return int(given)


def _tenth(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _share_kinds() -> dict[str, Any]:
    return {f"share with {kind}": "percent" for kind in KINDS} | {
        "scale of the centre": "d",
        "scale of the spread": "d",
    }

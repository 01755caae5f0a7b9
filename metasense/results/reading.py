"""What is said and drawn of a shelf, on its own or as a whole: words, tables and figures that both share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from metasense.core.stock import Stock
from metasense.engine.batch import MARKS
from metasense.margins import SETTLED, level
from metasense.showing import figures, plain, tables, words

BEYOND, WITHIN, OPEN = words.VERDICTS
KNOWN = (
    "kept as a possible moderator",
    "the number of tasters is not given",
)  # notes on reading that go without saying
NAMED = 5  # variables named in a sentence
FIRST = 3  # in the table of a first screen


@dataclass(frozen=True, eq=False)
class Reading:
    """A shelf in words."""

    stock: Stock

    @property
    def noun(self) -> str:
        """What a variable is called: by the column that tells them."""
        return words.one_line(self.stock.tables.by).replace("_", " ").strip().lower() or "variable"

    @property
    def plural(self) -> str:
        """Several of them."""
        return words.plural_of(self.noun)

    def these(self, n: int) -> str:
        """So many of them, with the article."""
        return f"the {words.count(n, self.noun, self.plural)}"

    def verdict_of_one(self, subject: str, verdict: str) -> str:
        """The verdict where there is only one of them."""
        if self.stock.margin is None:
            return f"{subject} gets no verdict without a margin."
        return f"{subject} is {verdict}."

    def verdicts(self, lead: str, said: np.ndarray, *, named: bool = True) -> str:
        """How many are on which side of the margin, and, if `named`, which are beyond it."""
        if self.stock.margin is None:
            return f"{lead} there are no verdicts without a margin."
        names = np.array(self.stock.tables.names, object)
        beyond = names[said == BEYOND].tolist()
        which = f" ({words.listing([words.one_line(n) for n in beyond], NAMED)})" if beyond and named else ""
        counts = [f"{len(beyond) or 'none'} {'is' if len(beyond) == 1 else 'are'} beyond the margin{which}"]
        counts += [f"{int((said == kind).sum()) or 'none'} {kind}" for kind in (WITHIN, OPEN)]
        return f"{lead} {words.listing(counts)}."

    def shows_beyond(self, frame: pd.DataFrame) -> bool:
        """Whether the table of a first screen holds all that are beyond the margin."""
        return self.stock.margin is not None and int((frame["verdict"] == BEYOND).sum()) <= FIRST

    def ranked(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The likeliest beyond the margin first; by size where there is none."""
        by = ["p_above", "median"] if self.stock.margin is not None else ["median", "p_c"]
        return frame.sort_values(by, ascending=False, kind="stable")

    def caption(self, n: int) -> str:
        """What the small table holds."""
        test = self.stock.test
        shown = min(n, FIRST)
        first = f", first {shown} of {n}" if shown < n else ""
        beside = [f"guessing {plain.of_100(test.guess)}"]
        if self.stock.margin is not None:
            beside.append(f"margin {plain.of_100(float(test.p_correct(self.stock.margin.d_prime)))}")
        return f"Right of 100 ({test.name}){first}; {', '.join(beside)}"

    def table(self, frame: pd.DataFrame) -> tables.Table:
        """Every variable, the likeliest beyond the margin first."""
        columns = ["variable", "panels", "tastings", "correct", "p_none", "p_c", "p_c_lower", "p_c_upper", "median"]
        columns += ["lower", "upper", "prob", "kind", "p_above", "verdict"]
        kept = self.ranked(frame)[columns].reset_index(drop=True)
        if self.stock.margin is None:
            kept = kept.drop(columns=["p_above", "verdict"])
        labels = {"variable": self.noun, "p_none": "nothing to taste", "median": "average d-prime"}
        labels |= {"p_c": f"correct in a {self.stock.test.name} test", "p_above": "P above the margin"}
        kinds = {"panels": "count", "tastings": "count", "correct": "count", "p_none": "probability", "p_c": "percent"}
        kinds |= {"p_c_lower": "percent", "p_c_upper": "percent", "p_above": "probability", "verdict": "text"}
        kept = kept.assign(
            p_c=[
                f"{words.percent(row.p_c)} ({words.percent(row.p_c_lower)} to {words.percent(row.p_c_upper)})"
                for row in kept.itertuples()
            ]
        ).drop(columns=["p_c_lower", "p_c_upper"])
        kinds["p_c"] = "text"
        return tables.table(kept, caption=self.plural.capitalize(), labels=labels, kinds=kinds)

    def drawing(self, frame: pd.DataFrame, averages: np.ndarray, beside: Sequence[str]) -> figures.Drawing:
        """A row a variable, sorted, with its equally likely truths."""
        test, margin = self.stock.test, self.stock.margin
        at = self.ranked(frame).index.to_numpy()
        middle = len(MARKS) // 2
        marks = test.p_correct(np.delete(averages, middle, axis=1)[at])
        rows = pd.DataFrame(
            {
                "name": frame["variable"].to_numpy()[at],
                "beside": np.array(beside, object)[at],
                "middle": test.p_correct(averages[at, middle]),
            }
        )
        known = {
            "label": f"correct of 100 {test.name} answers",
            "guess": test.guess,
            "margin": None if margin is None else float(test.p_correct(margin.d_prime)),
        }
        return figures.Drawing(
            lambda empty: figures.rows_of_truths(rows, marks, **known, ax=empty),  # type: ignore[arg-type]
            figures.alt_rows_of_truths(rows, **known),  # type: ignore[arg-type]
        )

    # --- what to be careful about -----------------------------------------------------------------------------------

    def on_many(self) -> str:
        """How many panels would be statistically significant by luck."""
        stock = self.stock
        number = int(stock.significant().sum())
        counted = stock.alone["p_value"].notna().sum()
        return (
            f"Some is luck: {number} of {words.count(int(counted), 'panel')} {'is' if number == 1 else 'are'} "
            f"statistically significant alone, and luck alone seldom gives more than {stock.by_luck()}."
        )

    def on_the_priors(self, frame: pd.DataFrame) -> list[str]:
        """Whose answers hang on the priors."""
        found = []
        undone = frame.loc[frame["verdict_rests_on_prior"], "variable"].tolist()
        if undone:
            named = words.listing(map(words.one_line, undone), NAMED)
            found.append(
                f"The verdict rests on the prior for {len(undone)} of "
                f"{words.count(len(frame), self.noun, self.plural)}. With its scales halved or doubled it is another "
                f"for {named}."
            )
        moved = int(frame["size_rests_on_prior"].sum())
        if moved:
            found.append(
                f"The size rests on the prior for {moved} of {words.count(len(frame), self.noun, self.plural)}. "
                "Half its scales, or twice, move it by more than a quarter; more tastings would change that."
            )
        return found

    def on_names(self) -> list[str]:
        """Variables whose names are the same but for capitals and blanks, which may be one."""
        alike: dict[str, list[str]] = {}
        for name in self.stock.tables.names:
            alike.setdefault("".join(name.split()).casefold(), []).append(name)
        return [
            f"Kept apart, though only capitals or blanks tell them apart: {words.listing(map(repr, names), NAMED)}. If "
            f"they are one {self.noun}, write one name."
            for names in alike.values()
            if len(names) > 1
        ]

    def on_reversals(self) -> list[str]:
        """Panels with far fewer correct answers than guessing gives, and variables that lean the other way."""
        found = []
        turned = self.stock.tables.panels.reversals()
        if turned:
            named = words.listing(map(words.one_line, turned), NAMED)
            found.append(
                f"Check the key, as far fewer answers are correct than guessing gives: {named}. A reversal or a coding "
                "error?"
            )
        against = np.flatnonzero(self.stock.pools.way < 1 - SETTLED)
        if len(against):
            named = words.listing([words.one_line(self.stock.tables.names[i]) for i in against.tolist()], NAMED)
            found.append(f"Against the expected direction: {named}. Sizes here are told whatever their direction.")
        return found

    def on_the_panels(self) -> list[str]:
        """What limits any answer from these panels, each said once."""
        panels = self.stock.tables.panels
        frame, n = panels.frame, len(panels)
        found = []
        extended = (frame["looks"] > 1) | (frame["tastings"] > frame["planned"])
        for mask, text in (
            (frame["blind"].isna(), "Blinding not stated: {}. Only double-blind panels tell what people could taste."),
            (
                frame["blind"].isin(["single", "none"]),
                "Not double-blind: {}. Such panels tell whether people could tell.",
            ),
            (extended, "Looked at or extended before the end: {}."),
            (frame["tasters"] < frame["tastings"], "Repeat tasters: {}. People and tastings are counted apart."),
            (frame["reported"].eq(False), "Not reported to others, and counted here: {}."),
        ):
            number = int(pd.Series(mask).fillna(False).sum())
            if number:
                found.append(text.format(f"{number} of {words.count(n, 'panel')}"))
        said = [note[0].upper() + note[1:] for note in panels.notes if not note.startswith(KNOWN)]
        return [*found, *said]

    # --- how it was done --------------------------------------------------------------------------------------------

    def learned_from(self) -> str:
        """What was learned from."""
        stock = self.stock
        panels = words.count(len(stock.tables.panels), "panel")
        counted = words.count(len(stock), self.noun, self.plural)
        return f"{counted} ({panels}, {words.one_line(stock.tables.panels.source)})"

    def methods(self) -> tuple[str, ...]:
        """How every variable was pooled on its own."""
        stock = self.stock
        margin = "no margin was named" if stock.margin is None else stock.margin.sentence().rstrip(".")
        singly = int(stock.pools.singly.sum())
        priors = stock.priors.describe(bool(np.isfinite(stock.pools.way).any()))
        return (
            f"Model of each {self.noun}: panel i has a d-prime |theta_i| with theta_i ~ Normal(mu, tau), with its sign "
            "where a direction was named; counts are binomial at the rate of their protocol.",
            f"Priors of each {self.noun} on its own: {priors}.",
            f"Margin: {margin}. A verdict takes a probability above {words.percent(level(stock.margin))} on its side.",
            f"Computation: integration on nodes that all {self.plural} share, checked against every second of them; "
            f"{singly or 'none'} of {len(stock)} needed nodes of their own.",
        )

"""The answer after each panel, in words and in the order of dates; that each step is a refit is held beside sensitivity."""

import pandas as pd
import pytest

import metasense as ms
from metasense.questions.path import Path

TABLE = {"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
FAR, OPEN = "beyond the margin", "not settled"


def steps(*verdicts, dates=None):
    count = len(verdicts)
    frame = pd.DataFrame({"panel": list("ABCDE")[:count], "panels": range(1, count + 1)})
    frame.insert(1, "date", pd.NaT if dates is None else pd.to_datetime(dates))
    medians = [0.5 + 0.1 * i for i in range(count)]
    frame = frame.assign(median=medians, lower=0.1, upper=0.9, prob=0.95, kind="equal-tailed", p_above=0.97)
    return frame.assign(p_below=0.03, verdict=list(verdicts))


def test_panels_come_in_the_order_of_their_dates_and_the_undated_last():
    dated = ms.pool(TABLE | {"date": ["2025-03-01", "2025-01-01", "2025-02-01"]}, margin=ms.Margin(d_prime=0.5)).path()
    frame = dated.to_frame()
    assert frame["panel"].tolist() == ["B", "C", "A"] and frame["panels"].tolist() == [1, 2, 3]
    assert dated.notes == () and dated.margin == 0.5
    some = ms.pool(TABLE | {"date": [None, "2025-01-01", None]}).path(prob=0.8)
    assert some.to_frame()["panel"].tolist() == ["B", "A", "C"] and some.margin is None
    assert some.notes == ("Without a date, and so placed last in the order of the table: A and C.",)
    assert (some.to_frame()["prob"] == 0.8).all() and "80 % credible interval" in some.sentence()
    none = Path.of(ms.pool(TABLE).core)
    assert (none.to_frame()["prob"] == 0.95).all()
    assert none.notes == ("No panel has a date, so they come in the order of the table.",)


def test_steps_given_away_are_a_copy():
    path = Path(steps(FAR, FAR), 0.5)
    frame = path.to_frame()
    frame["median"] = 9.0
    assert path.to_frame()["median"].max() < 1


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        ([FAR], "; there is no other panel."),
        ([FAR, FAR], "; after both it is 0.60 (0.10 to 0.90; 95 % credible interval, equal-tailed). The verdict was beyond the margin from the first panel to the last."),
        ([OPEN, FAR, FAR], "; after all 3 it is 0.70 (0.10 to 0.90; 95 % credible interval, equal-tailed). The verdict has stood at beyond the margin since B (panel 2)."),
        ([FAR, OPEN, FAR], "The verdict has stood at beyond the margin since C (panel 3)."),
        ([OPEN, FAR], "The verdict has stood at beyond the margin since B (panel 2)."),
    ],
)  # fmt: skip
def test_the_sentence_says_where_it_began_where_it_stands_and_since_when(verdicts, said):
    text = Path(steps(*verdicts), 0.5).sentence()
    assert text.startswith("After the first panel (A) the average d-prime was 0.50 (0.10 to 0.90; 95 %")
    assert text.endswith(said)
    assert "verdict" not in Path(steps(*verdicts), None).sentence()


def test_dates_and_verdicts_are_columns_only_where_there_are_some():
    bare, full = repr(Path(steps(FAR, FAR), None)), repr(Path(steps(FAR, FAR, dates=["2025-01-01", None]), 0.5))
    assert "P(above margin)" not in bare and "2025" not in bare and "date" not in bare
    assert "P(above margin)" in full and "97" in full and "2025" in full
    assert "panels so far" in bare and "added" in bare

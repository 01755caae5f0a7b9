"""The core: which protocols are shown, what is worked out once, and who has a core of a plain pool."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import metasense as ms
from metasense.core import core as module
from metasense.core.core import core_of, plain_core
from metasense.core.evidence import collect
from metasense.engine.crossed_posterior import APART

TABLE = {
    "panel": ["A", "B", "C"],
    "protocol": ["tetrad", "triangle", "tetrad"],
    "tastings": [24, 30, 24],
    "correct": [12, 14, 12],
}


@pytest.fixture(scope="module")
def core():
    return ms.pool(TABLE | {"reported": ["yes", "no", None]}, margin=ms.Margin(p_d=0.3, protocol="duo-trio")).core


@pytest.fixture(scope="module")
def directed():
    table = {"panel": ["A"], "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 20, "false_alarms": 6}
    return ms.pool(table).core


def names(protocols):
    return [p.name for p in protocols]


def test_the_protocols_are_those_of_the_panels_and_then_that_of_the_margin(core):
    assert names(core.protocols) == ["tetrad", "triangle", "duo-trio"]
    assert core.main_protocol.name == "duo-trio"  # the margin's


def test_without_a_margin_in_a_protocol_the_main_one_is_what_most_panels_used():
    core = ms.pool(TABLE, margin=ms.Margin(d_prime=1)).core
    assert names(core.protocols) == ["tetrad", "triangle"] and core.main_protocol.name == "tetrad"
    assert ms.pool(TABLE).core.main_protocol.name == "tetrad"


def test_panels_of_two_counts_alone_are_shown_as_triangles(directed):
    assert names(directed.protocols) == ["triangle"] and directed.main_protocol.name == "triangle"
    assert directed.directed and 0.5 < directed.expected_way < 1


def test_what_is_costly_is_worked_out_once_under_its_name(core):
    asked = []
    for name in ("one", "other", "one"):
        found = core.remember(name, lambda name=name: asked.append(name) or len(asked))
    assert asked == ["one", "other"] and found == 1
    assert core.plane is core.plane and core.common is core.common
    assert core.rate("triangle") is core.rate(ms.protocol("triangle"))
    assert core.rate("triangle") is not core.rate("tetrad")


def test_the_frame_of_answers_has_three_d_primes_and_four_rows_a_protocol(core):
    frame = core.to_frame(0.8)
    assert frame["quantity"].iloc[:3].tolist() == ["average d-prime", "next panel d-prime", "spread"]
    assert len(frame) == 3 + 4 * 3 and (frame["prob"] == 0.8).all()
    given = (core.average, core.next_d_prime, core.spread)
    for row, value in zip(frame.iloc[:3].to_dict("records"), given, strict=True):
        assert (row["mean"], row["lower"], row["upper"]) == pytest.approx((value.mean, *value.interval(0.8)))
    assert core.to_frame(0.8, ["2-AFC"])["quantity"].iloc[3] == "p_c (2-AFC)"


def test_equal_panels_share_one_likelihood_and_one_answer(core):
    assert core.collected.copies.tolist() == [2, 1] and core.collected.index.tolist() == [0, 1, 0]
    assert [e.tastings for e in core.collected.rows] == [24, 30, 24]
    assert core.panel("A") is core.panel("C") and core.panel("A") is not core.panel("B")
    frame = core.panels_frame(0.8)
    assert frame["panel"].tolist() == ["A", "B", "C"] and (frame["prob"] == 0.8).all()
    for row in frame.to_dict("records"):
        own = core.panel(row["panel"])
        assert (row["pooled_lower"], row["pooled"], row["pooled_upper"]) == pytest.approx(
            (own.interval(0.8)[0], own.median, own.interval(0.8)[1])
        )
    frame["pooled"] = np.nan
    assert core.panels_frame(0.8)["pooled"].notna().all()  # a copy is given away
    with pytest.raises(ms.PanelsError, match="'D'"):
        core.panel("D")


def test_only_a_panel_said_not_to_be_reported_counts_as_such(core):
    assert core.unreported.tolist() == [False, True, False]


def test_without_a_card_nothing_departs_from_it_and_with_one_what_does_is_named(core):
    assert core.departures == ()
    card = ms.Card(
        question="Does it taste different?",
        decision="Which to keep.",
        protocols=["triangle", "tetrad"],
        tastings=24,
        date="2025-01-01",
        margin=ms.Margin(d_prime=1),
    )
    carded = ms.pool(TABLE, margin=ms.Margin(d_prime=0.5), card=card).core
    assert carded.departures == card.departures(carded.panels, margin=carded.margin, priors=carded.priors)
    assert len(carded.departures) >= 1


def test_protocols_asked_for_are_taken_one_or_many_or_as_usual():
    usual = [ms.protocol("tetrad")]
    assert names(module.protocols_of(None, usual)) == ["tetrad"]
    assert (
        names(module.protocols_of("triangle", usual))
        == names(module.protocols_of(ms.protocol("triangle"), usual))
        == ["triangle"]
    )
    assert names(module.protocols_of(["2-AFC", ms.protocol("triangle")], usual)) == ["2-AFC", "triangle"]
    assert module.protocols_of([], usual) == []


def test_a_plain_pool_has_a_core_and_nothing_else_has_one(core):
    pooled = ms.pool(TABLE)
    nested = ms.pool(TABLE | {"batch_pair": ["x", "y", "x"]}, within="batch_pair")
    assert plain_core(pooled) is pooled.core and core_of(core) is core
    assert plain_core(nested.plain) is nested.plain.core
    assert core_of(nested) is None and core_of(3) is None
    with pytest.raises(ValueError, match=r"give the \.plain of such a pool; got Nested"):
        plain_core(nested)


def test_tasters_as_many_as_tastings_repeat_nothing():
    frame = ms.read_panels(TABLE | {"tasters": [24, 29, 12]}).frame
    kinds = [type(e).__name__ for e in collect(frame).rows]
    assert kinds == ["Counts", "RepeatedTotal", "RepeatedTotal"]
    assert collect(frame).rows[1].tasters == 29


def test_frames_hold_intervals_of_ninety_five_in_a_hundred_unless_asked_otherwise(core):
    assert (core.to_frame()["prob"] == 0.95).all() and (core.panels_frame()["prob"] == 0.95).all()
    assert core.to_frame()["quantity"].iloc[3::4].tolist() == ["p_c (tetrad)", "p_c (triangle)", "p_c (duo-trio)"]
    row = core.panels_frame().iloc[1]
    assert (row["pooled_lower"], row["pooled_upper"]) == core.panel("B").interval(0.95)
    assert (row["alone_kind"], row["pooled_kind"]) == ("exact", "equal-tailed")


def test_what_follows_from_the_counts_is_kept_for_other_margins_while_panels_are_few(core, monkeypatch):
    again = replace(core, margin=ms.Margin(d_prime=1))  # of two distinct panels
    assert again.share("kept", lambda: "first") == "first"
    assert core.share("kept", lambda: "second") == "first"
    monkeypatch.setattr(module, "SHARED", 1)
    assert core.share("kept", lambda: "second") == "second"
    assert core.share("kept", lambda: "third") == "second" and again.share("kept", lambda: "third") == "third"


@pytest.mark.parametrize(("apart", "said"), [(APART - 0.01, False), (APART, True)])
def test_draws_that_do_not_agree_from_two_sides_are_not_to_be_used(apart, said):
    found = module.not_settled(SimpleNamespace(apart=apart))
    assert bool(found) == said
    if said:
        assert f"({apart:.1f} standard errors apart; {APART:.0f} are allowed): do not use these numbers." in found[0]

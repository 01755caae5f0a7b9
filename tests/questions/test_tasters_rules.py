"""If tasters went by one attribute: the directed kin of a protocol, and what is said of it."""

import numpy as np
import pytest
from matplotlib.figure import Figure

import metasense as ms
from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats
from metasense.questions import rules
from metasense.showing.words import banned

TABLE = {"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [17, 19, 18]}


def test_a_triangle_by_one_attribute_is_read_as_a_3_afc():
    pooled = ms.pool(TABLE)
    as_kin = ms.pool(TABLE | {"protocol": "3-AFC"})
    other = rules.under_another_rule(pooled.core)
    assert other.median == pytest.approx(as_kin.average.median, abs=1e-4)
    assert other.median < pooled.average.median - 0.5


def test_a_difference_reads_larger_by_the_rule_of_the_protocol():
    # tasters who pick the cup with most of an attribute, simulated on percepts: the odd one lies 0.8 higher
    percepts = np.random.default_rng(1).normal([0.8, 0, 0], 1, (200_000, 3))
    share = (percepts.argmax(axis=1) == 0).mean()
    read = float(ms.protocol("triangle").d_prime(share))
    assert rules.kin(ms.protocol("triangle")).p_correct(0.8) == pytest.approx(share, abs=0.005)
    assert read == pytest.approx(1.8, abs=0.05)


def test_the_tetrad_by_one_attribute_is_the_tetrad():
    # sorting four percepts of one attribute into two low and two high is the protocol's own rule
    percepts = np.random.default_rng(1).normal([0, 0, 1, 1], 1, (200_000, 4))
    order = percepts.argsort(axis=1)
    right = np.isin(order[:, :2], (0, 1)).all(axis=1) | np.isin(order[:, :2], (2, 3)).all(axis=1)
    assert ms.protocol("tetrad").p_correct(1.0) == pytest.approx(right.mean(), abs=0.005)
    assert rules.kin(ms.protocol("tetrad")).name == "tetrad"


def test_every_kind_of_panel_is_read_by_the_other_rule():
    triangle, three = ms.protocol("triangle"), ms.protocol("3-AFC")
    assert rules.by_attribute(Counts(triangle, 24, 9)) == Counts(three, 24, 9)
    assert rules.by_attribute(Repeats(triangle, ((2, 1, 3),))) == Repeats(three, ((2, 1, 3),))
    assert rules.by_attribute(RepeatedTotal(triangle, 8, 24, 9)) == RepeatedTotal(three, 8, 24, 9)
    assert rules.by_attribute(Counts(three, 24, 9)) == Counts(three, 24, 9)


def test_a_margin_in_correct_answers_stays_that_share_of_answers():
    margin = ms.Margin("0.2 triangle, settled at 90 %")
    other = rules.margin_by_rule(margin)
    assert ms.protocol("3-AFC").p_correct(other.d_prime) == pytest.approx(1 / 3 + 0.2 * 2 / 3)
    assert other.settled == 0.9
    assert rules.margin_by_rule(ms.Margin("d'=1")) == ms.Margin("d'=1") and rules.margin_by_rule(None) is None


def test_the_case_is_asked_only_where_a_protocol_has_another_rule():
    assert ms.pool(TABLE).sensitivity().about("rule")["case"].tolist() == [rules.OTHER_RULE]
    mixed = ms.pool(TABLE | {"protocol": ["tetrad", "triangle", "tetrad"]})
    assert mixed.sensitivity().about("rule")["case"].tolist() == [rules.OTHER_RULE]
    assert not len(ms.pool(TABLE | {"protocol": "tetrad"}).sensitivity().about("rule"))


def test_where_protocols_are_compared_the_rule_is_said_in_the_notes():
    mixed = ms.pool(TABLE | {"protocol": ["triangle", "triangle", "3-AFC"]})
    for said in rules.note(mixed.core):
        assert said in mixed.notes and said not in repr(mixed) and banned(said) == []
    assert rules.note(mixed.core)[0].startswith("With several protocols, d-prime compares them only if tasters follow")
    assert rules.note(ms.pool(TABLE).core) == []


def test_the_figure_leaves_out_a_case_whose_margin_is_another_d_prime():
    def drawn(margin):
        axes = ms.pool(TABLE, margin=margin).sensitivity().plot(ax=Figure())
        return " ".join(label.get_text() for label in axes.get_yticklabels())

    assert "one attribute" in drawn(None) and "one attribute" not in drawn("0.2 triangle")


def test_that_tasters_may_differ_is_said_where_protocols_would_part_by_it():
    said = rules.note(ms.pool(TABLE | {"protocol": ["triangle", "3-AFC", "tetrad"]}).core)
    assert said[1].endswith("a triangle would read 1.15 and a 3-AFC 0.60.")
    (said,) = rules.note(ms.pool(TABLE | {"protocol": ["tetrad", "tetrad", "3-AFC"]}).core)
    assert said.endswith("a tetrad would read 1.01 and a 3-AFC 0.60.")
    assert len(rules.note(ms.pool(TABLE | {"protocol": ["triangle", "duo-trio", "tetrad"]}).core)) == 1


def test_a_margin_stated_in_another_kind_of_protocol_is_one_more_to_compare():
    (said,) = rules.note(ms.pool(TABLE, margin="0.2 3-AFC").core)
    assert said.endswith("a triangle would read 1.15 and a 3-AFC 0.60.")
    assert rules.note(ms.pool(TABLE, margin="0.2 tetrad").core) == []

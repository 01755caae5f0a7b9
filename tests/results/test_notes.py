"""What a careful reader is told of a pool: each note on both sides of what brings it about. Tables are invented."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from scipy.stats import binom

import metasense as ms
from metasense.engine.priors import LearnedPriors
from metasense.results import notes

TABLE = {"panel": list("AB"), "protocol": "triangle", "tastings": 24, "correct": [9, 12]}
FULL = {"blind": "double", "tasters": 24}


def core(**more):
    return ms.pool(TABLE | more).core


def test_a_panel_far_below_guessing_is_asked_about():
    # so few correct by guessing with a chance below 1 in 1000: 1 of 24 (SciPy: .00077), not 2 (.0048)
    assert binom.cdf(1, 24, 1 / 3) < 0.001 < binom.cdf(2, 24, 1 / 3)
    assert notes.in_the_counts(core(correct=[2, 9])) == []
    (said,) = notes.in_the_counts(core(correct=[1, 9]))
    assert said.startswith("Far fewer correct answers than guessing gives in A: a reversal or coding error?")


def test_panels_with_a_direction_that_go_far_against_it_are_asked_about_in_other_words():
    # 6 of 30 in a 2-AFC: .0007; 7: .0026
    assert binom.cdf(6, 30, 0.5) < 0.001 < binom.cdf(7, 30, 0.5)
    far, not_far = ([n, 15] for n in (6, 7))
    (said,) = notes.in_the_counts(core(protocol="2-AFC", tastings=30, correct=far))
    assert said.startswith(
        "Answers far against the expected direction in A: a reversal or coding error, or a difference"
    )
    assert notes.in_the_counts(core(protocol="2-AFC", tastings=30, correct=not_far)) == []


def test_panels_that_lean_opposite_ways_are_named_where_each_does_so_beyond_chance():
    # 10 of 30 or fewer: .049, 20 or more the same; 11 or fewer: .1002
    assert binom.cdf(10, 30, 0.5) < 0.05 < binom.cdf(11, 30, 0.5)
    both = notes.in_the_counts(core(protocol="2-AFC", tastings=30, correct=[10, 20]))
    assert both == [
        "Panels lean opposite ways: A against the expected direction, B with it. The average d-prime is one of sizes, "
        "whatever their direction."
    ]
    for correct in ([11, 20], [10, 19]):
        assert notes.in_the_counts(core(protocol="2-AFC", tastings=30, correct=correct)) == []
    assert notes.in_the_counts(core(tastings=30, correct=[4, 20])) == []  # without a direction there is none to lean


def test_several_tastings_a_person_are_a_note_where_answers_are_yes_or_no():
    def said(tasters):
        row = {"panel": "A", "protocol": "A-not-A", "signal": 20, "hits": 13, "noise": 20, "false_alarms": 7}
        return notes.in_the_counts(ms.pool([row | {"tasters": tasters}]).core)

    assert said(40) == [] and said(None) == []
    assert said(39)[0].startswith("Several tastings a person in A: in A-not-A and same-different all answers")


def sitters(panels):
    rows = [
        {"panel": name, "protocol": "triangle", "taster": who, "correct": (who + k) % 2}
        for k, (name, people) in enumerate(panels.items())
        for who in people
    ]
    return ms.pool(ms.read_tastings(rows), regulars=False).core


def test_that_tasters_repeated_is_said_once():
    said = [note for note in notes.on_the_data(core(tasters=[12, 24])) if note.startswith("Repeat tasters")]
    assert [note.split(":")[0] for note in said] == ["Repeat tasters known by their total only"]


def test_people_who_sat_in_several_panels_and_are_not_followed_are_counted():
    assert notes.people(core()) == []
    assert notes.people(sitters({"A": range(6), "B": range(6, 12)})) == []
    (one,) = notes.people(sitters({"A": range(6), "B": range(5, 11)}))
    assert one.startswith("1 person of 11 sat in more than one panel")
    (said,) = notes.people(sitters({"A": range(6), "B": range(4, 10)}))
    assert said.startswith("2 people of 10 sat in more than one panel")
    assert said in notes.warnings(sitters({"A": range(6), "B": range(4, 10)}))


def test_equally_many_tasters_in_panel_after_panel_are_asked_about():
    table = {"panel": list("ABC"), "protocol": "triangle", "tastings": 20, "correct": [8, 11, 9]}
    (asked,) = notes.followed(ms.pool(table | {"tasters": 20}).core)
    assert asked.startswith("Were they the same 20 tasters each time: A, B and C? They are counted as new people")
    assert asked in notes.on_the_answer(ms.pool(table | {"tasters": 20}).core)
    assert notes.followed(ms.pool(table | {"tasters": [20, 20, 19]}).core) == []
    assert notes.followed(ms.pool(table).core) == []


@pytest.mark.parametrize(
    ("more", "start"),
    [
        ({"blind": [None, "double"]}, "Blinding not stated: A."),
        ({"blind": ["single", "double"]}, "Not double-blind: A."),
        ({"blind": ["double", "none"]}, "Not double-blind: B."),
        ({"looks": [2, 1]}, "Looked at or extended before the end: A."),
        ({"planned": [24, 23]}, "Looked at or extended before the end: B."),
        ({"tasters": [12, 24]}, "Repeat tasters known by their total only: A."),
        ({"tasters": [24, 1]}, "A single taster: B."),
        ({"batch_pair": ["p", "p"]}, "All panels tasted one batch pair"),
        ({"correct": [24, 24]}, "Every answer in every panel was correct"),
        ({"reported": ["yes", "no"]}, "Not reported elsewhere, but counted here: B."),
    ],
)
def test_what_limits_any_answer_is_said_of_the_panels_it_is_true_of(more, start):
    found = notes.on_the_data(core(**FULL | more))
    assert [note for note in found if note.startswith(start)]
    assert not [note for note in notes.on_the_data(core(**FULL)) if note.startswith(start)]


def test_what_is_as_it_should_be_is_not_said():
    fine = {"looks": 1, "planned": [24, 25], "batch_pair": ["p", "q"], "reported": "yes", "correct": [23, 24]}
    assert notes.on_the_data(core(**FULL | fine)) == ()
    assert notes.on_the_data(core(**FULL | {"batch_pair": ["p", None]})) == ()


def test_a_single_taster_is_not_known_by_the_total_only():
    found = notes.on_the_data(core(**FULL | {"tasters": [24, 1]}))
    assert not [note for note in found if "known by their total only" in note]


def test_one_panel_says_nothing_of_how_panels_differ():
    one = {"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 9} | FULL
    assert notes._limits(ms.pool(one).core)[0].startswith("One panel: how much panels differ is not in the data")
    assert not [note for note in notes._limits(core(**FULL)) if note.startswith("One panel")]


def test_checks_that_take_a_while_are_left_until_they_are_asked_for():
    def quick(panels=2, size=24, repeated=False):
        evidence = [SimpleNamespace(size=size, repeated=repeated)]
        found = SimpleNamespace(panels=range(panels), collected=SimpleNamespace(evidence=evidence))
        return notes.quick(found)

    assert quick(panels=1000) and not quick(panels=1001)
    assert quick(size=1000) and not quick(size=1001)
    assert quick(size=100, repeated=True) and not quick(size=101, repeated=True)
    large = core(tastings=[1001, 24], correct=[400, 9])
    assert notes._limits(large)[0].startswith("So many panels, or tastings in a panel, take a while")
    assert not [note for note in notes._limits(core()) if note.startswith("So many")]


def test_the_notes_of_the_table_begin_as_sentences_and_leave_out_what_is_said_better():
    table = ms.read_panels(TABLE | {"oak": [1, 2], "planned": [20, 24]})
    said = notes.on_the_table(ms.pool(table).core)
    assert len(table.notes) > len(said) > 0
    assert all(note[0].isupper() for note in said)
    assert not [note for note in said if note.lower().startswith(("kept as", "more tastings than planned"))]


def test_departures_come_first_then_warnings_then_the_rest_without_repeats():
    asked = []

    def found():
        asked.append(1)
        return ["With each prior", "c", "a", "Sampled with PyMC", "So many panels"]

    assert notes.cautions(["a"], [], found) == ("a", "c") and len(asked) == 1
    assert notes.cautions([], [], found) == ("c", "a")
    assert notes.cautions(["a"], ["a"], found) == ("a", "c") and len(asked) == 3
    assert notes.cautions(["a"], ["b"], found) == ("a", "b") and len(asked) == 3  # two are shown: no need to look
    assert notes.cautions(["a", "d"], ["b", "a"], found) == ("a", "d", "b")


def test_warnings_hold_what_the_sample_and_the_prior_say():
    pooled = core()
    rests = [note for note in notes.warnings(pooled) if note.startswith("The answer rests on the prior")]
    assert len(rests) == 1
    poor = replace(pooled, advice=("Too few draws.",))
    assert notes.warnings(poor)[0] == "Too few draws."
    order = notes.on_the_answer(poor)
    assert order[: len(notes.warnings(poor))] == notes.warnings(poor)
    assert order[len(notes.warnings(poor))].startswith("With the prior scales halved or doubled")


def test_panels_are_named_up_to_six_and_then_counted():
    names = [f"P{i}" for i in range(9)]
    nine = ms.pool({"panel": names, "protocol": "triangle", "tastings": 24, "correct": 9}).core
    assert notes._naming(nine, [True] * 9, "{}") == ["P0, P1, P2, P3, P4, P5 and 3 others"]
    assert notes._naming(nine, [True, None, False] * 3, "In {}.") == ["In P0, P3 and P6."]
    assert notes._naming(nine, [False] * 9, "In {}.") == []


def test_that_people_known_by_number_may_have_come_again_is_among_what_limits_the_answer():
    three = {"panel": list("ABC"), "protocol": "triangle", "tastings": 20, "correct": [8, 11, 9], "tasters": 20}
    found = notes.on_the_answer(ms.pool(three).core)
    assert len([note for note in found if "Were they the same" in note]) == 1


def test_how_a_table_was_read_takes_no_place_among_the_cautions(tmp_path):
    file = tmp_path / "odd.csv"
    file.write_text("No. of tasters;Panel;Test;n;right\n" + "".join(f"24;{name};triangle;24;{9}\n" for name in "AB"))
    pooled = ms.pool(file)
    read = [note for note in pooled.notes if note.startswith("Columns ")]
    assert len(read) == 2 and "'No. of tasters'" in " ".join(read)
    assert not set(read) & set(pooled._cautions())


@pytest.mark.parametrize(
    ("priors", "said"),
    [
        (LearnedPriors(1.5, 0.5, odds=(0.6, 0.3, 0.1), learned_from="30 spices"), "The priors were learned from 30 spices: right as far as this is a variable like those."),
        (ms.Priors(0.4, 0.3, centre_at=0.8, earlier="six old panels"), "The priors come from six old panels: right as far as nothing else has changed since, and if none of its panels is among these."),
    ],
)  # fmt: skip
def test_where_priors_come_from_is_said_first_of_what_limits_the_answer(priors, said):
    pooled = core(**FULL)
    assert notes._limits(replace(pooled, priors=priors))[0] == said
    assert not [note for note in notes._limits(pooled) if note.startswith("The priors")]


def test_two_panels_or_single_tasters_are_not_asked_whether_they_were_the_same():
    three = {"panel": list("ABC"), "protocol": "triangle", "tastings": 20, "correct": [8, 11, 9]}
    assert notes.followed(core(tasters=20)) == []
    assert notes.followed(ms.pool(three | {"tasters": 1}).core) == []
    four = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 20, "correct": [8, 11, 9, 7]}
    (asked,) = notes.followed(ms.pool(four | {"tasters": [20, None, 20, 20]}).core)
    assert ": A, C and D? They are counted" in asked  # B is not known


def test_a_table_with_no_answers_is_not_one_of_right_answers_only():
    none = core(tastings=[0, 0], correct=[0, 0], **FULL | {"tasters": None})
    assert not [note for note in notes.on_the_data(none) if note.startswith("Every answer")]
    both = core(tastings=[24, 24], correct=[24, 23], **FULL)
    assert not [note for note in notes.on_the_data(both) if note.startswith("Every answer")]


def test_that_some_panels_may_have_nothing_is_said_once(monkeypatch):
    fit = SimpleNamespace(warnings=("mixed", "stray"), mixed="mixed")
    monkeypatch.setattr(notes, "fit_of", lambda core: fit)
    monkeypatch.setattr(notes.some, "caution", lambda core: ["only some"])
    assert notes._of_the_fit(None) == ("stray", "only some")
    monkeypatch.setattr(notes.some, "caution", lambda core: [])
    assert notes._of_the_fit(None) == ("mixed", "stray")

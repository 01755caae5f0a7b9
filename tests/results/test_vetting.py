"""What cannot have been saved is refused, and what can have been is not: both sides of every limit."""

import copy

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import metasense as ms
from metasense.results import vetting

RECORD = {
    "margin": "0.2 triangle",
    "priors": {"mu_scale": 1.5, "tau_scale": 0.5, "beta_scale": 0.5},
    "settings": {"method": "grid", "draws": 100, "chains": 4, "seed": 1},
    "structure": {},
    "evidences": {"none": -3.0, "same": -2.0, "varying": -2.5, "error": 1e-9},
    "verdict": {"verdict": "not settled", "p_above": 0.3},
    "advice": [],
    "card": None,
    "versions": {"metasense": "0.1", "numpy": "2.0"},
}


def record(path=(), value=None):
    """The record with one thing changed in it."""
    found = copy.deepcopy(RECORD)
    if path:
        at = found
        for name in path[:-1]:
            at = at[name]
        at[path[-1]] = value
    return found


def test_a_right_record_is_believed():
    vetting.record(record())
    vetting.record(record(["margin"], "") | {"verdict": {"verdict": "no margin given", "p_above": None}})


@pytest.mark.parametrize("name", RECORD)
def test_no_part_of_a_record_may_be_missing(name):
    found = record()
    del found[name]
    with pytest.raises(ValueError, match=f"it has no {name}"):
        vetting.record(found)


@pytest.mark.parametrize(
    ("path", "right"),
    [
        (["settings", "draws"], [1, 10**9]),
        (["settings", "chains"], [1, 10**6]),
        (["settings", "seed"], [0, 2**128]),
        (["settings", "method"], ["grid", "mcmc"]),
        (["settings", "chains_said"], ["R-hat at most 1.01"]),
        (["verdict", "p_above"], [0, 1, 0.5]),
        (["advice"], [["one"], ["one", "two"]]),
        (["card"], [{"text": 'question = "a.b"', "edited": False}, {"text": "x" * 100_000, "edited": True}]),
        (["card"], [{"text": "." * 1000, "edited": False}, {"text": '"' + "." * 2000 + '"', "edited": False}]),
        (["evidences", "same"], [-1e299, 0]),
        (
            ["structure"],
            [
                {"moderators": ["a"]},
                {"within": "a"},
                {"moderators": ["a", "b"], "through_zero": ["a"], "within": "c"},
                {"moderators": ["a"], "within": None},
            ],
        ),
    ],
)
def test_what_can_have_been_saved_is_believed(path, right):
    for value in right:
        vetting.record(record(path, value))


@pytest.mark.parametrize(
    ("path", "wrong", "reason"),
    [
        (["settings", "draws"], [0, 10**9 + 1, 1.0, True, "1", None], "its draws cannot be"),
        (["settings", "chains"], [0, 10**6 + 1, 1.0], "its chains cannot be"),
        (["settings", "seed"], [-1, 2**128 + 1, 1.5], "its seed cannot be"),
        (["settings", "method"], ["nuts", None], "its method is none known here"),
        (["settings", "command"], ["x"], "its settings hold 'command'"),
        (["settings"], [[], None, "grid"], "its settings are none"),
        (["settings", "chains_said"], [7], "not a text"),
        (["margin"], [7, None], "not a text"),
        (["margin"], ["0.20 triangle"], "its margin is not as it is written"),
        (["advice"], [[7]], "not a text"),
        (["advice"], ["text"], "its advice is no list"),
        (["priors", "mu_scale"], [True, "1", None, 1e300, float("nan")], "its priors have mu_scale"),
        (["priors", "mu_scale"], [9.0, -1.0], "centre_scale"),
        (["priors", "more"], [1.0], "its priors are not mu_scale, tau_scale, beta_scale"),
        (["priors"], [None, []], "its priors are no"),
        (["evidences", "error"], [float("inf"), "0"], "its evidences have error"),
        (["evidences"], [{}], "its evidences are not none, same, varying, error"),
        (["verdict"], [None, []], "its verdict is none"),
        (["verdict", "verdict"], [None, 7], "not a text"),
        (["verdict", "p_above"], [-0.01, 1.01, None, True, "0.5"], "its verdict has no probability"),
        (["versions"], [None, [], {"numpy": "2"}], "its versions are not there"),
        (["versions", "numpy"], [2], "not a text"),
        (["card"], ["text", {"text": "x"}, {"text": "x", "edited": False, "more": 1}], "its question card is none"),
        (["card"], [{"text": "x", "edited": 0}], "its question card is none"),
        (["card"], [{"text": 7, "edited": False}], "not a text"),
        (["card"], [{"text": "x" * 100_001, "edited": False}], "longer than 100,000 characters"),
        (["card"], [{"text": "." * 1001, "edited": False}], "more than 1,000 dots"),
        (["structure"], [None, []], "its moderators are none"),
        (["structure"], [{"moderators": "a"}, {"through_zero": "a"}], "no list of names"),
        (["structure"], [{"moderators": ["a", "a"]}], "named twice"),
        (["structure"], [{"moderators": [7]}, {"within": 7}], "not a text"),
        (["structure"], [{"through_zero": ["a"]}, {"moderators": []}], "it holds no moderator and no level"),
        (["structure"], [{"command": "x"}], "a kind of structure unknown here"),
    ],
)
def test_what_cannot_have_been_saved_is_refused(path, wrong, reason):
    for value in wrong:
        with pytest.raises(ValueError, match=reason):
            vetting.record(record(path, value))


def test_names_may_take_eight_times_their_own_room_and_some_to_spare(monkeypatch):
    monkeypatch.setattr(vetting, "SPARE", 100)
    vetting.even([])
    vetting.even(["a" * 1000])
    # 20 words, one of n letters, of one letter the others: 20 n against 8 (n + 19) + 100
    vetting.even(["a" * 21, *"b" * 19])
    with pytest.raises(ValueError, match="one of its names is far too long"):
        vetting.even(["a" * 22, *"b" * 19])


PANELS = ms.read_panels(
    {"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [9, 12], "oak": [1.5, 2]}
)


def changed(**columns):
    return PANELS.frame.assign(**columns)


def test_a_table_as_the_door_lets_it_in_is_believed():
    vetting.panels(PANELS.frame)
    vetting.panels(changed(notes=pd.array(["said \x07 so", None], dtype="string")))  # notes may hold anything


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        ({"correct": pd.array([25, 9], dtype="Int64")}, "25"),
        ({"correct": pd.array([-1, 9], dtype="Int64")}, "column 'correct' holds what is no count"),
        ({"correct": [9.0, 12.0]}, "column 'correct' is not of its kind"),
        ({"panel": pd.array(["A\x07", "B"], dtype="string")}, "is no name"),
        ({"panel": pd.array(["", "B"], dtype="string")}, "is no name"),
        ({"blind": pd.array(["DB", None], dtype="string")}, "column 'blind' cannot hold 'DB'"),
        ({"oak": pd.array([np.inf, 1], dtype="Float64")}, "column 'oak' holds what is no number"),
        ({"oak": [1, 2]}, "column 'oak' is not of its kind"),
    ],
)
def test_a_table_that_the_door_would_not_let_in_is_refused(columns, reason):
    with pytest.raises(ValueError, match=reason):
        vetting.panels(changed(**columns))
    with pytest.raises(ValueError, match="has not the columns of one"):
        vetting.panels(PANELS.frame.drop(columns="looks"))


TASTINGS = ms.read_tastings(
    [
        {"panel": "A", "protocol": "triangle", "taster": f"T{i}", "correct": i % 2, "served": "1", "answer": "2"}
        | ({"answer": "1"} if i % 2 else {})
        for i in range(4)
    ]
)


def test_tastings_are_complete_and_of_one_protocol_a_panel():
    frame = TASTINGS.frame
    vetting.tastings(frame)
    for name in ("panel", "protocol", "taster", "correct"):
        with pytest.raises(ValueError, match=f"its tastings have no {name}"):
            vetting.tastings(frame.drop(columns=name))
    with pytest.raises(ValueError, match="an empty cell"):
        vetting.tastings(frame.assign(taster=frame["taster"].where([True, True, True, False])))
    other = pd.Categorical(["triangle", "triangle", "triangle", "tetrad"])
    with pytest.raises(ValueError, match="two protocols"):
        vetting.tastings(frame.assign(protocol=other))
    with pytest.raises(ValueError, match="triangle test"):
        vetting.tastings(frame.assign(protocol=pd.Categorical(["triangle test"] * 4)))


def test_both_tables_are_of_the_same_panels():
    vetting.together(PANELS, None)
    vetting.together(
        ms.read_panels({"panel": ["A", "B"], "protocol": "triangle", "tastings": [4, 9], "correct": [2, 5]}), TASTINGS
    )
    with pytest.raises(ValueError, match="of panels that it does not have"):
        vetting.together(
            ms.read_panels({"panel": ["B"], "protocol": "triangle", "tastings": [9], "correct": [5]}), TASTINGS
        )


def drawn(panels=("A", "B"), chains=2, draws=30, **more):
    rng = np.random.default_rng(1)
    dims = ("chain", "draw")
    names = ("average", "spread", "centre")
    data = {name: (dims, np.abs(rng.normal(size=(chains, draws)))) for name in names}
    data["d_prime"] = ((*dims, "panel"), rng.normal(size=(chains, draws, len(panels))))
    return xr.Dataset(data | more, coords={"panel": list(panels)})


def sampled(**more):
    dims = ("chain", "draw")
    values = np.linspace(0, 0.9, 80).reshape(2, 40)
    return xr.Dataset({"mu": (dims, values - 0.5), "tau": (dims, values)} | more)


GRID = {"method": "grid", "draws": 30, "chains": 2}
MCMC = {"method": "mcmc", "draws": 40, "chains": 2}


def test_draws_as_they_are_saved_are_believed():
    vetting.draws(drawn(), None, GRID, PANELS)
    vetting.draws(drawn(draws=25), None, GRID | {"draws": 5}, PANELS)
    vetting.draws(drawn(), sampled(), MCMC, PANELS)
    dims = ("chain", "draw")
    vetting.draws(drawn(), sampled(gamma=(dims, np.full((2, 40), 0.99))), MCMC, PANELS)
    vetting.draws(drawn(), sampled(gamma=(dims, np.zeros((2, 40)))), MCMC, PANELS)


@pytest.mark.parametrize(
    ("found", "sample", "settings", "reason"),
    [
        (drawn().drop_vars("spread"), None, GRID, "not those of a pool"),
        (drawn(more=(("chain", "draw"), np.zeros((2, 30)))), None, GRID, "not those of a pool"),
        (drawn(("B", "A")), None, GRID, "of other panels"),
        (drawn().transpose("draw", "chain", "panel"), None, GRID, "have other axes"),
        (drawn(spread=(("chain", "draw", "panel"), np.zeros((2, 30, 2)))), None, GRID, "have other axes"),
        (drawn(chains=3), None, GRID, "not of the chains stated"),
        (drawn(draws=31), None, GRID, "more than those stated"),
        (drawn(draws=26), None, GRID | {"draws": 5}, "more than those stated"),
        (drawn(), None, MCMC, "it has no sample"),
        (drawn(), sampled(), GRID, "it has no sample"),
        (drawn(), sampled().drop_vars("tau"), MCMC, "its sample is none"),
        (drawn(), sampled(other=(("chain", "draw"), np.zeros((2, 40)))), MCMC, "its sample is none"),
        (drawn(), sampled(), MCMC | {"draws": 41}, "its sample is none"),
        (drawn(), sampled(tau=(("chain", "draw"), np.full((2, 40), -0.1))), MCMC, "a spread below 0"),
        (drawn(), sampled(gamma=(("chain", "draw"), np.full((2, 40), 1.0))), MCMC, "its sample is none"),
        (drawn(), sampled(gamma=(("chain", "draw"), np.full((2, 40), -0.1))), MCMC, "its sample is none"),
        (drawn(average=(("chain", "draw"), np.full((2, 30), 1e6))), None, GRID, "what is no number"),
        (drawn(average=(("chain", "draw"), np.full((2, 30), np.nan))), None, GRID, "what is no number"),
        (drawn(average=(("chain", "draw"), np.ones((2, 30), int))), None, GRID, "what is no number"),
        (drawn(), sampled(mu=(("chain", "draw"), np.full((2, 40), -1e6))), MCMC, "what is no number"),
    ],
)
def test_draws_of_another_kind_or_size_are_refused(found, sample, settings, reason):
    with pytest.raises(ValueError, match=reason):
        vetting.draws(found, sample, settings, PANELS)


def test_an_answer_has_named_numbers():
    right = pd.DataFrame({"quantity": ["a"], "mean": [1.0], "median": [1.0], "lower": [0.0], "upper": [2.0]})
    vetting.answer(right)
    for name in right:
        with pytest.raises(ValueError, match="has not the columns of one"):
            vetting.answer(right.drop(columns=name))
    with pytest.raises(ValueError, match="what is no number"):
        vetting.answer(right.assign(lower=[0]))
    with pytest.raises(ValueError, match="not a text"):
        vetting.answer(right.assign(quantity=[7]))


def test_moderators_and_levels_are_columns_that_can_be_such():
    table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 24, "correct": 9}
    panels = ms.read_panels(table | {"oak": [1, 2, 3, 4], "batch_pair": list("ppqq")})
    for said in (
        {},
        {"moderators": ["oak"]},
        {"within": "batch_pair"},
        {"moderators": ["oak"], "within": "batch_pair"},
    ):
        vetting.structure(said, panels)
    for said, reason in (
        ({"moderators": ["elm"]}, "no column 'elm'"),
        ({"within": "elm"}, "no column 'elm'"),
        ({"moderators": ["oak"], "within": "panel"}, "panel"),
        ({"through_zero": ["oak"], "within": "batch_pair"}, "a dose and no moderator"),
    ):
        with pytest.raises(ValueError, match=reason):
            vetting.structure(said, panels)

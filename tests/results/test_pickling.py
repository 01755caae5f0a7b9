"""Results travel between processes: each comes back from a pickle and says the same."""

import pickle
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from multiprocessing import get_context

import numpy as np
import pytest

import metasense as ms
from metasense.cli.phrases import QUESTIONS as ASKED_IN_A_TERMINAL
from metasense.engine.posterior import Posterior

TABLE = {
    "panel": ["A", "B", "C", "D"],
    "protocol": ["triangle", "tetrad", "2-AFC", "triangle"],
    "tastings": [24, 30, 28, 24],
    "correct": [8, 15, 20, 9],
    "tasters": [24, 15, 28, 24],
    "weeks": [1, 2, 3, 4],
    "style": ["dry", "dry", "sweet", "sweet"],
    "asked": "correct",
    "prefer_new": 4,
    "prefer_old": 3,
}
ONCE = TABLE | {"tasters": TABLE["tastings"]}  # no repeat tasters, who take many times the work
MARGIN = ms.Margin(p_d=0.2, protocol="triangle")


@cache
def pooled_with_repeats():
    """One pool for all tests: what is costly is worked out once."""
    return ms.pool(TABLE, margin=MARGIN)


POOLS = {
    "a pool": pooled_with_repeats,
    "one with a moderator": lambda: ms.pool(ONCE, margin=MARGIN, moderators="weeks"),
    "one with a level": lambda: ms.pool(ONCE, margin=MARGIN, within="style"),
}
OTHERS = {
    "panels": lambda: ms.read_panels(TABLE),
    "tastings": lambda: ms.read_tastings("datasets/cider_tastings.csv"),
    "one panel": lambda: ms.one_panel("triangle", 24, 12),
    "a preference": lambda: ms.preference(ms.read_panels(TABLE)),
}
ANOTHER = {
    "panels",
    "statement",
    "methods",
    "rate",
    "counts",
    "effects",
    "regulars",
    "habits",
}  # words, frames, or asked with more than panels
QUESTIONS = (*(name.replace("-", "_") for name in ASKED_IN_A_TERMINAL if name not in ANOTHER), "tasters")


@pytest.mark.lab
@pytest.mark.parametrize("name", [*POOLS, *OTHERS])
def test_what_was_worked_out_comes_back_from_a_pickle(name):
    result = (POOLS | OTHERS)[name]()
    said = repr(result)  # by now everything is worked out that is kept
    again = pickle.loads(pickle.dumps(result))
    assert repr(again) == said
    assert again.to_frame().equals(result.to_frame())


def test_a_pool_that_was_asked_nothing_yet_comes_back_from_a_pickle():
    pooled = ms.pool(ONCE, margin=MARGIN)
    assert isinstance(pickle.loads(pickle.dumps(pooled)).posterior, Posterior)
    again = pickle.loads(pickle.dumps(pooled))
    assert again.headline() == pooled.headline()
    assert np.array_equal(again.draws["d_prime"], pooled.draws["d_prime"])


@pytest.mark.lab
def test_answers_to_questions_come_back_from_a_pickle():
    pooled = POOLS["a pool"]()
    answers = {name: getattr(pooled, name)() for name in QUESTIONS}
    answers |= {"the next panel": pooled.next_panel("triangle", 24), "a rate": pooled.rate("triangle")}
    for name, result in answers.items():
        assert repr(pickle.loads(pickle.dumps(result))) == repr(result), name


@pytest.mark.lab
def test_pools_are_worked_out_in_other_processes():
    tables = [ONCE, {**ONCE, "correct": [20, 25, 26, 19]}]
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as processes:
        pooled = list(processes.map(ms.pool, tables))
    assert [p.headline() for p in pooled] == [ms.pool(t).headline() for t in tables]

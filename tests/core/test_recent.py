"""The same panels are integrated once, whatever else is asked of them; whoever checks a result has it worked out anew."""

import threading

import pytest

import metasense as ms
from metasense.core import recent
from metasense.engine import crossed_posterior, grid

TABLE = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 15, 9]}
PEOPLE = [
    {"panel": panel, "protocol": "triangle", "taster": who, "correct": int(who in right)}
    for panel, right in (("A", "ab"), ("B", "ac"))
    for who in "abcdef"
]


@pytest.fixture
def counted(monkeypatch):
    """How often panels were integrated, by whether people were followed."""
    recent.forget()
    calls = {"plain": 0, "followed": 0}

    def counting(name, function):
        def work(*args, **kwargs):
            calls[name] += 1
            return function(*args, **kwargs)

        return work

    monkeypatch.setattr(grid, "integrate", counting("plain", grid.integrate))
    monkeypatch.setattr(crossed_posterior, "integrate", counting("followed", crossed_posterior.integrate))
    yield calls
    recent.forget()


def test_another_margin_needs_no_other_integration(counted):
    first = ms.pool(TABLE, margin="0.2 triangle")
    second = ms.pool(TABLE, margin="0.1 triangle")
    assert counted["plain"] == 1
    assert first.average.median == second.average.median
    assert first.verdict().above != second.verdict().above


@pytest.mark.parametrize(
    "other",
    [
        {"panels": TABLE | {"correct": [12, 15, 10]}},
        {"panels": TABLE | {"tastings": [30, 30, 31]}},
        {"panels": TABLE | {"protocol": ["triangle", "triangle", "duo-trio"]}},
        {"priors": ms.Priors(centre_scale=1.0)},
        {"priors": ms.Priors(spread_scale=0.3)},
    ],
)
def test_whatever_the_answer_depends_on_is_integrated_anew(counted, other):
    before = ms.pool(TABLE)
    after = ms.pool(**({"panels": TABLE} | other))
    assert counted["plain"] == 2
    assert before.average.median != after.average.median


def test_people_are_followed_once_and_anew_with_another_seed_rho_or_answer(counted, monkeypatch):
    following = crossed_posterior.integrate
    first = []

    def follow(*given, **how):  # that it is asked again is the question here; what it answers is another's
        counted["followed"] += bool(first)
        first[:] = first or [following(*given, **how)]
        return first[0]

    monkeypatch.setattr(crossed_posterior, "integrate", follow)
    ms.pool(ms.read_tastings(PEOPLE), margin="0.2 triangle")
    ms.pool(ms.read_tastings(PEOPLE), margin="0.1 triangle")
    assert counted["followed"] == 1
    ms.pool(ms.read_tastings(PEOPLE), seed=2)
    ms.pool(ms.read_tastings(PEOPLE), rho=0.5)
    swapped = [
        {**row, "correct": int(row["taster"] in "ab")} for row in PEOPLE
    ]  # as many right, and by the same people
    ms.pool(ms.read_tastings(swapped))
    assert counted["followed"] == 4
    assert counted["plain"] == 1  # the counts of the panels are the same in all of them


def test_a_rerun_integrates_again(counted, tmp_path):
    path = ms.pool(TABLE).save(tmp_path / "pool.nc")
    before = counted["plain"]
    assert ms.rerun(path).same
    assert counted["plain"] > before


def test_only_the_last_few_are_kept():
    recent.forget()
    for question in range(recent.KEPT + 1):
        recent.recently(question, lambda: "first")
    for kept in range(1, recent.KEPT + 1):
        assert recent.recently(kept, lambda: "second") == "first"
    assert recent.recently(0, lambda: "second") == "second"
    recent.forget()


def test_what_was_asked_again_is_kept_longer_than_what_was_not():
    recent.forget()
    for question in range(recent.KEPT):
        recent.recently(question, lambda: "first")
    recent.recently(0, lambda: "second")
    recent.recently("new", lambda: "first")
    assert recent.recently(0, lambda: "second") == "first"
    assert recent.recently(1, lambda: "second") == "second"
    recent.forget()


def test_what_fails_is_not_kept():
    recent.forget()
    with pytest.raises(ZeroDivisionError):
        recent.recently("asked", lambda: 1 / 0)
    assert recent.recently("asked", lambda: 1) == 1


def test_threads_do_not_wait_for_one_another():
    recent.forget()
    inside = threading.Event()
    done = threading.Event()

    def slow():
        inside.set()
        assert done.wait(10)
        return "slow"

    thread = threading.Thread(target=lambda: recent.recently("slow", slow))
    thread.start()
    assert inside.wait(10)
    assert recent.recently("quick", lambda: "quick") == "quick"
    done.set()
    thread.join()
    assert recent.recently("slow", lambda: "again") == "slow"


def test_what_follows_from_counts_and_priors_is_at_hand_with_another_margin(counted, monkeypatch):
    first = ms.pool(TABLE, margin="0.2 triangle")
    found = first.fit(), first.core.plane, first.core.panel_d_primes, first.sensitivity()
    monkeypatch.setattr("metasense.questions.fit._against_the_others", None)  # could not be worked out again
    second = ms.pool(TABLE, margin="d'=2")
    assert second.fit().panels.equals(found[0].panels)
    assert second.core.plane is found[1] and second.core.panel_d_primes is found[2]
    # what hangs on the margin is not shared
    assert set(second.sensitivity().cases["verdict"]) == {"within the margin"} != set(found[3].cases["verdict"])


def test_it_is_gone_with_the_integration_and_not_kept_of_many_panels(counted, monkeypatch):
    before = len(recent._following)
    pooled = ms.pool(TABLE)
    assert pooled.core.plane is pooled.core.plane and len(recent._following) == before + 1
    recent.forget()
    assert len(recent._following) == 0
    monkeypatch.setattr("metasense.core.core.SHARED", 2)
    one, other = ms.pool(TABLE), ms.pool(TABLE)
    assert one.core.plane is one.core.plane and one.core.plane is not other.core.plane

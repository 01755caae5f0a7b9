"""The kinds of pool, held side by side: what one can be asked, each can be asked in the same words."""

import inspect

import pytest

import metasense as ms
from metasense.results.base import Pool

KINDS = (ms.Pooled, ms.Moderated, ms.Nested)
TABLE = {
    "panel": list("ABCDEF"),
    "protocol": "triangle",
    "tastings": 30,
    "correct": [13, 11, 14, 18, 16, 21],
    "weeks": [1, 2, 3, 4, 5, 6],
    "style": ["dry", "sweet"] * 3,
    "batch_pair": ["P1", "P1", "P2", "P2", "P3", "P3"],
}
MARGIN = ms.Margin(d_prime=1)


@pytest.fixture(scope="module")
def pools():
    return {
        ms.Pooled: ms.pool(TABLE, margin=MARGIN),
        ms.Moderated: ms.pool(TABLE, margin=MARGIN, moderators="weeks"),
        ms.Nested: ms.pool(TABLE, margin=MARGIN, within="batch_pair"),
    }


def public(kind: type) -> list[str]:
    return [name for name in dir(kind) if not name.startswith("_") and name not in kind._inside]


def parameters(kind: type, name: str) -> list[tuple]:
    return [(p.name, p.kind, p.default) for p in inspect.signature(getattr(kind, name)).parameters.values()]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", [n for n in public(Pool) if n != "core"])
def test_what_every_pool_can_do_has_the_same_parameters_in_each(kind, name):
    if callable(inspect.getattr_static(Pool, name)):
        assert parameters(kind, name) == parameters(Pool, name)
    else:
        assert not callable(inspect.getattr_static(kind, name))


@pytest.mark.parametrize("kind", KINDS[1:])
@pytest.mark.parametrize("name", public(ms.Pooled))
def test_what_the_plain_pool_has_is_there_in_the_same_form_or_refused_with_a_remedy(kind, name, pools):
    if not hasattr(kind, name) and not hasattr(pools[kind], name):
        with pytest.raises(
            AttributeError, match=rf"has no attribute '{name}'; (the plain pool in it has: \.plain|\w+)"
        ):
            getattr(pools[kind], name)
    elif callable(inspect.getattr_static(ms.Pooled, name)):
        assert parameters(kind, name) == parameters(ms.Pooled, name)


@pytest.mark.parametrize("kind", KINDS[1:])
def test_draws_of_a_moderated_or_nested_pool_are_of_its_own_model(kind, pools):
    own, plain = pools[kind].draws, pools[kind].plain.draws
    assert own.sizes["draw"] == plain.sizes["draw"]
    assert set(own) != set(plain) and len(pools[kind].to_arviz()["posterior"].data_vars) > 0


def test_the_tab_key_offers_nothing_that_only_raises(pools):
    for pool in pools.values():
        for name in dir(pool):
            if not name.startswith("_"):
                getattr(pool, name)


def test_verdicts_have_the_same_columns_in_every_pool(pools):
    frames = {kind: pool.verdicts() for kind, pool in pools.items()}
    assert {tuple(frame.columns) for frame in frames.values()} == {("value", "p_above", "p_below", "verdict")}
    assert [len(frame) for frame in frames.values()] == [1, 2, 1]
    assert frames[ms.Moderated].equals(pools[ms.Moderated].verdicts("weeks"))


@pytest.mark.parametrize("kind", [ms.Pooled, ms.Nested])
@pytest.mark.parametrize("method", ["verdicts", "plot"])
def test_a_moderator_cannot_be_chosen_where_there_is_none(kind, method, pools):
    with pytest.raises(ValueError, match="this pool has no moderators, so 'weeks' cannot be chosen"):
        getattr(pools[kind], method)("weeks")


@pytest.mark.parametrize("kind", KINDS)
def test_a_frame_gives_the_rates_of_the_protocols_asked_for(kind, pools):
    usual = pools[kind].to_frame()
    assert usual.equals(pools[kind].to_frame(protocols=["triangle"]))
    both = pools[kind].to_frame(protocols=["triangle", "tetrad"])
    fours = pools[kind].to_frame(protocols="tetrad")
    rates = both["quantity"].str.contains("triangle")
    assert set(usual["quantity"]) < set(both["quantity"])
    assert both[~rates].reset_index(drop=True).equals(fours)


def labels(axes) -> list[str]:
    return [label.get_text().split("\n")[0] for label in axes.get_yticklabels()]


def test_rows_of_a_figure_can_stand_by_size_and_no_order_is_accepted_and_ignored(pools):
    plain, nested = pools[ms.Pooled], pools[ms.Nested]
    assert labels(plain.plot())[:6] == labels(plain.plot(order="estimate"))[:6]
    assert labels(plain.plot(order="table"))[:6] == plain.panels.frame["panel"].tolist()
    assert set(labels(nested.plot(order="estimate"))) == set(labels(nested.plot()))
    for pool in pools.values():
        with pytest.raises(ValueError, match="order"):
            pool.plot(order="estimates")
    with pytest.raises(ValueError, match="along weeks there are no rows to put in order"):
        pools[ms.Moderated].plot(order="estimate")
    words = ms.pool(TABLE, moderators="style")
    assert set(labels(words.plot(order="estimate"))) == set(labels(words.plot()))


def test_a_verdict_equals_its_word_and_goes_into_sets_as_it_does(pools):
    verdict = pools[ms.Pooled].verdict()
    assert verdict == verdict.label == "not settled" and verdict == pools[ms.Nested].verdict()
    assert verdict != "beyond the margin" and verdict != 0.5
    assert {verdict, "not settled"} == {"not settled"}
    alone = ms.one_panel("triangle", 30, 14, margin=MARGIN)
    assert alone.verdict() == "not settled" == verdict

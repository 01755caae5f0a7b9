"""Plans for the next panels: look-ups against full refits, chances against enumeration, one answer everywhere."""

import math
import re
from concurrent.futures import ProcessPoolExecutor
from itertools import combinations_with_replacement

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from scipy import stats

import metasense as ms
from metasense.core.answers import NextPanel, Verdict
from metasense.engine.likelihood import Counts
from metasense.questions import outlook, reweighting
from metasense.questions.next_panel import Plans, _notes, plan_next, usual_size
from metasense.questions.outlook import LEVELS
from metasense.questions.plan import Plan
from metasense.results.pooled import Pooled
from metasense.showing.words import VERDICTS, banned

HALF = ms.Margin(d_prime=0.5)
TRIANGLES = {"panel": ["A", "B", "C", "D"], "protocol": "triangle", "tastings": 40, "correct": [13, 12, 15, 13]}
MIXED = {
    "panel": ["A", "B", "C"],
    "protocol": ["2-AFC", "triangle", "3-AFC"],
    "tastings": [30, 30, 24],
    "correct": [20, 14, 13],
}
REPEATS = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 18], "correct": [13, 7], "tasters": [8, 18]}
NOTHING = {"panel": ["none yet"], "protocol": ["triangle"], "tastings": [0], "correct": [0]}


@pytest.fixture(scope="module")
def triangles():
    return ms.pool(TRIANGLES, margin=HALF)


@pytest.fixture(scope="module")
def plans(triangles):
    return plan_next(triangles, Plan.every(["triangle", "tetrad", "3-AFC"], [20, 40], [1, 4]), draws=1000)


def pooled_with(pooled, plan, counts):
    """The pool as if these counts had come in, computed from the table up."""
    frame = pooled.panels.to_frame()
    if plan.same_pair_as is None:
        names = [f"new {i}" for i in range(len(counts))]
        more = {"panel": names, "protocol": plan.protocol.name, "tastings": plan.tasters, "correct": counts}
        frame = pd.concat([frame, pd.DataFrame(more)], ignore_index=True)
    else:  # the same protocol on one d-prime: counts simply add up
        row = frame.index[frame["panel"] == plan.same_pair_as][0]
        frame.loc[row, ["tastings", "correct"]] += [plan.tastings, counts[0]]
    return ms.pool(frame, margin=pooled.margin)


def predicted(pooled, plan):
    """Chance of each number of correct answers at each of the pool's nodes, by quadrature over the panel's d-prime."""
    z, w = np.polynomial.hermite_e.hermegauss(80)
    patches = pooled.posterior.patches
    mu, tau, weight = (np.concatenate([getattr(p, name) for p in patches]) for name in ("mu", "tau", "weight"))
    weight = weight * np.repeat([p.share for p in patches], [len(p.mu) for p in patches])
    theta, n = mu[:, None] + tau[:, None] * z, plan.tasters
    right, wrong = plan.protocol.p_correct(theta), plan.protocol.p_wrong(theta)
    chances = np.stack([(math.comb(n, x) * right**x * wrong ** (n - x)) @ w for x in range(n + 1)], axis=1)
    return chances / w.sum(), weight


def settled_by_refitting(pooled, plan):
    """Chance of a verdict by pooling every outcome afresh: (beyond, within)."""
    if plan.same_pair_as is not None:
        outcomes = [(x,) for x in range(plan.tastings + 1)]
        chances = NextPanel.of(pooled.panel(plan.same_pair_as), plan.protocol, plan.tastings).probability
    else:
        table, weight = predicted(pooled, plan)
        outcomes = list(combinations_with_replacement(range(plan.tasters + 1), plan.panels))
        orders = [
            math.factorial(plan.panels) / np.prod([math.factorial(c) for c in np.unique(o, return_counts=True)[1]])
            for o in outcomes
        ]
        chances = [
            n * (weight @ np.prod([table[:, x] for x in o], axis=0)) for n, o in zip(orders, outcomes, strict=True)
        ]
    assert sum(chances) == pytest.approx(1, abs=1e-4)
    labels = [
        pooled_with(pooled, plan, o).verdict().label if p > 1e-7 else "" for p, o in zip(chances, outcomes, strict=True)
    ]
    return tuple(sum(p for p, s in zip(chances, labels, strict=True) if s == v) for v in VERDICTS[:2])


DESIGNS = [
    (TRIANGLES, ms.Margin(d_prime=1.0), Plan("triangle", 30)),
    (TRIANGLES, HALF, Plan("tetrad", 24)),
    (TRIANGLES, ms.Margin(d_prime=1.0), Plan("duo-trio", 8, 2)),
    (TRIANGLES, ms.Margin(d_prime=0.8), Plan("3-AFC", 20)),  # a direction where none was named before
    (TRIANGLES, ms.Margin(d_prime=1.0), Plan("triangle", 15, 2, "D")),
    (MIXED, ms.Margin(d_prime=0.8), Plan("2-AFC", 20)),
    (MIXED, ms.Margin(d_prime=0.5), Plan("tetrad", 20)),
    (REPEATS, ms.Margin(d_prime=1.2), Plan("tetrad", 6)),
]


LONG = {Plan("tetrad", 24): pytest.mark.slow, Plan("3-AFC", 20): pytest.mark.lab, Plan("tetrad", 20): pytest.mark.lab}
QUICK = [pytest.param(*d, marks=LONG.get(d[2], ())) for d in DESIGNS]


@pytest.mark.parametrize(("table", "margin", "plan"), QUICK, ids=[plan.name for *_, plan in DESIGNS])
def test_chance_of_settling_equals_refitting_every_outcome(table, margin, plan):
    pooled = ms.pool(table, margin=margin)
    row = plan_next(pooled, [plan]).to_frame().iloc[0]
    assert row["error"] == 0
    assert (row["beyond"], row["within"]) == pytest.approx(settled_by_refitting(pooled, plan), abs=0.002)
    assert row["settled"] == pytest.approx(row["beyond"] + row["within"], abs=1e-8)


@pytest.mark.parametrize(
    ("table", "plan", "counts"),
    [
        (TRIANGLES, Plan("tetrad", 40, 4), [20, 11, 17, 14]),
        (TRIANGLES, Plan("3-AFC", 60, 2), [33, 12]),
        (TRIANGLES, Plan("triangle", 60, 1, "B"), [31]),
        (MIXED, Plan("duo-trio", 30, 3), [22, 13, 17]),
        (REPEATS, Plan("tetrad", 30, 2), [18, 9]),
        (NOTHING, Plan("tetrad", 40, 12), [13, 12, 15, 20, 14, 11, 13, 16, 10, 17, 12, 14]),
    ],
)
def test_looking_up_equals_pooling_again(table, plan, counts):
    pooled = ms.pool(table, margin=ms.Margin(d_prime=0.7))
    known = reweighting.Known.of(pooled.core, pooled.margin)
    job = outlook.Job(known, plan, known.tasted(pooled, plan), 1000, 1)
    nodes = known.nodes(97, plan.protocol.directed and not known.directed)
    tables = outlook.tables_of(job, nodes, counts)
    _, below, width = (v[0] for v in nodes.refit(tables, np.ones((1, len(counts)))))
    again = pooled_with(pooled, plan, counts).average
    lower, upper = again.interval()
    assert below == pytest.approx(again.below(0.7), abs=2e-5)
    assert width == pytest.approx(upper - lower, rel=3e-3)


def test_nodes_laid_for_planning_hold_the_same_posterior():
    for table in (TRIANGLES, MIXED, REPEATS):
        pooled = ms.pool(table, margin=HALF)
        nodes = reweighting.Known.of(pooled.core, HALF).nodes(49, False)
        below = nodes.weight.reshape(-1, 49).sum(axis=1) @ nodes.ladder[:, 0]
        assert below == pytest.approx(pooled.average.below(0.5), abs=2e-5)
        assert nodes.weight @ nodes.tau == pytest.approx(pooled.spread.mean, abs=2e-4)


def test_a_plan_cannot_be_expected_to_move_the_answer(triangles):
    # The mean of a posterior probability over what may come is the probability now.
    plan = Plan("tetrad", 36)
    known = reweighting.Known.of(triangles, HALF)
    nodes = known.nodes(49, False)
    tables = outlook.tables_of(outlook.Job(known, plan, None, 1000, 1), nodes, range(37))
    log_chance, below, _ = nodes.refit(tables, np.eye(37))
    assert np.exp(log_chance).sum() == pytest.approx(1, abs=1e-9)
    assert np.exp(log_chance) @ below == pytest.approx(triangles.average.below(0.5), abs=1e-5)
    assert np.exp(log_chance) == pytest.approx(triangles.next_panel("tetrad", 36).probability, abs=1e-6)


def test_drawing_agrees_with_following_every_outcome(triangles):
    plan = Plan("tetrad", 24, 2)
    exact = plan_next(triangles, [plan]).to_frame().iloc[0]
    drawn = plan_next(triangles, [plan], draws=200).to_frame().iloc[0]
    assert exact["error"] == 0 < drawn["error"] < 0.04
    for name in ("settled", "beyond", "within"):
        assert abs(drawn[name] - exact[name]) <= 0.005 + 3 * max(drawn["error"], 0.01)
    assert drawn["width"] == pytest.approx(exact["width"], rel=0.05)


def test_four_triangle_panels_cannot_find_that_there_is_nothing():
    # Before any data: with nothing to taste, four triangles of 40 never reach P(average < 0.5) > 0.95; twelve tetrads
    # of 40 do in about three of five times (600 full refits of simulated panels: 0.60, standard error 0.02).
    pooled = ms.pool(NOTHING, margin=HALF)
    plans = plan_next(pooled, [Plan("tetrad", 40, 12), Plan("triangle", 40, 4)])
    frame = plans.to_frame().set_index("protocol")
    assert frame.loc["triangle", "within_if_none"] == 0
    assert frame.loc["triangle", "says"] == "cannot end within the margin"
    assert frame.loc["tetrad", "within_if_none"] == pytest.approx(0.61, abs=0.04)
    assert frame.loc["tetrad", "says"] == ""
    text = "If there is truly nothing to taste, 1 of these 2 plans has a chance of less than 1 % to end within"
    assert text in plans.statement()


def test_a_plan_that_cannot_settle_it_is_told_so(triangles):
    plans = plan_next(triangles, [Plan("triangle", 12)])
    assert "This plan (triangle, 1 panel of 12, new pair) cannot settle it" in plans.statement()
    assert plans.to_frame()["says"].tolist() == ["cannot settle it"]
    ranked = plan_next(triangles, [Plan("triangle", 6), Plan("3-AFC", 42, 4)])
    assert ranked.best == Plan("3-AFC", 42, 4)  # however few its cups, a hopeless plan comes last


def test_plans_are_ranked_by_cups_for_the_chance_they_give(plans):
    frame = plans.to_frame()
    fair = frame[frame["says"] != "cannot settle it"]
    needs = fair["protocol"] == "3-AFC"  # an attribute, which these panels do not name: after the others
    assert not needs.iloc[: (~needs).sum()].any()
    assert all(part["cups_by_chance"].is_monotonic_increasing for part in (fair[~needs], fair[needs]))
    assert [plan.name for plan in plans.plans] == frame["plan"].tolist()
    assert frame.loc[0, "cups_by_chance"] == pytest.approx(frame.loc[0, "cups"] / frame.loc[0, "settled"])
    assert (frame["cups"] == frame["tastings"] * frame["protocol"].map({"triangle": 3, "tetrad": 4, "3-AFC": 3})).all()


def test_more_tasters_narrow_the_answer_and_a_known_pair_only_so_far(triangles):
    sizes = plan_next(triangles, Plan.every(["triangle"], [20, 60, 180])).to_frame().set_index("tasters")["width"]
    assert sizes[20] > sizes[60] > sizes[180]
    same, new = Plan("tetrad", 400, 1, "D"), Plan("tetrad", 100, 4)
    width = plan_next(triangles, [same, new], draws=400).to_frame().set_index("plan")["width"]
    assert width[same.name] > 1.1 * width[new.name]  # one pair, however well known, says little of the next


def test_panels_that_narrow_the_answer_much_are_worked_out_on_a_finer_grid():
    pooled = ms.pool(NOTHING, margin=HALF)
    plans = plan_next(pooled, [Plan("tetrad", 300, 12)], draws=100)
    row = plans.to_frame().iloc[0]
    assert row["nodes"] > outlook.LEVELS[0]
    assert row["resolved"]
    assert any(note.startswith("Worked out on a finer grid") for note in plans.notes)


def test_same_seed_same_answer_whatever_else_is_asked(triangles):
    plan = Plan("tetrad", 40, 4)
    alone = plan_next(triangles, [plan], draws=500).to_frame().iloc[0]
    among = plan_next(triangles, [Plan("triangle", 20), plan], draws=500).to_frame()
    assert among[among["plan"] == plan.name].iloc[0].equals(alone)
    assert plan_next(triangles, [plan], draws=500, seed=2).to_frame().loc[0, "settled"] != alone["settled"]


def test_process_pool_gives_the_serial_answer_to_the_bit(triangles, plans):
    with ProcessPoolExecutor(2) as executor:
        spread = plan_next(triangles, plans.plans[::-1], draws=1000, executor=executor)
    pd.testing.assert_frame_equal(spread.to_frame(), plans.to_frame(), check_exact=True)


@pytest.mark.lab
def test_dask_cluster_gives_the_serial_answer_to_the_bit(triangles, plans):
    distributed = pytest.importorskip("distributed")
    local = {"n_workers": 1, "threads_per_worker": 1, "host": "127.0.0.1", "dashboard_address": None}
    with distributed.LocalCluster(**local) as cluster, distributed.Client(cluster) as client:
        spread = plan_next(triangles, plans.plans, draws=1000, executor=client.get_executor())
    pd.testing.assert_frame_equal(spread.to_frame(), plans.to_frame(), check_exact=True)


def test_usual_plans_cover_the_protocols_and_one_pair_tasted_again():
    pooled = ms.pool({**TRIANGLES, "date": ["2025-01-04", "2025-03-01", "2025-02-01", None]}, margin=HALF)
    plans = plan_next(pooled, draws=100)
    frame = plans.to_frame()
    assert set(frame["protocol"]) == {"triangle", "tetrad", "3-AFC"}
    assert set(frame["same_pair_as"].dropna()) == {"B"}  # the latest
    # 40 tastings are nearly seven sets of six orders; one and twice that, and several panels
    new = frame[frame["same_pair_as"].isna()]
    shapes = {(42, 1), (84, 1), (42, 2), (42, 4)}
    assert all(set(zip(rows["tasters"], rows["panels"], strict=True)) == shapes for _, rows in new.groupby("protocol"))
    assert set(frame.loc[frame["same_pair_as"].notna(), "tasters"]) == {42} and len(frame) == 15
    assert frame.loc[frame["same_pair_as"].notna(), "batch_pairs"].eq(0).all()
    assert any(note.startswith("The same pair as B") for note in plans.notes)
    assert any("attribute named beforehand: 3-AFC" in note for note in plans.notes)


def test_words_table_and_figure_say_the_same(plans):
    import matplotlib.figure

    text, page = repr(plans.details()), plans._repr_html_()
    assert plans.statement() in text
    assert plans.best.name in page
    assert not banned(text) and not banned(repr(plans))
    ax = plans.plot(ax=matplotlib.figure.Figure())
    assert plans.best.name in [" ".join(text.get_text().split()) for text in ax.texts]
    assert "chance of settling" in ax.get_ylabel()
    assert sum(len(group.get_offsets()) for group in ax.collections) == len(plans.plans)


def test_the_likeliest_plan_stands_in_table_and_figure_however_many_there_are():
    import matplotlib.figure

    pooled = ms.pool("datasets/cider_fining.csv", margin=ms.Margin(p_d=0.2, protocol="triangle"))
    plans = plan_next(pooled, Plan.every(["triangle", "duo-trio", "tetrad", "3-AFC"], [24, 36], [1, 2]))
    likeliest = plans.frame.loc[plans.frame["settled"].idxmax(), "plan"]
    table = plans._table().to_text()
    assert likeliest in table and plans.best.name in table
    named = [" ".join(text.get_text().split()) for text in plans.plot(ax=matplotlib.figure.Figure()).texts]
    assert {likeliest, plans.best.name} <= set(named)


def test_what_is_met_first_is_whether_anything_in_reach_is_likely_to_settle_it():
    likely = ms.pool("datasets/cider_fining.csv", margin=ms.Margin(p_d=0.2, protocol="triangle"))
    plans = plan_next(likely, Plan.every(["triangle", "3-AFC"], [24], [1, 2]))
    row = plans.frame[plans.frame["settled"] >= 0.5].sort_values("cups").iloc[0]
    said = " ".join(repr(plans).split())
    assert said.startswith(
        f"With the fewest cups, this is more likely than not to settle it: {row['plan']}. It has a chance of"
    )
    assert "(new pair: batches not tasted yet)" in said  # the columns are explained, and in the details
    assert row["plan"] in [line.split("  ")[0] for line in repr(plans).splitlines()]  # what is named is in the table
    details = " ".join(str(plans.details()).split())
    assert "Settled: chance that the answer is then beyond or within the margin" in details
    assert len(repr(plans).splitlines()) <= 24 and max(map(len, repr(plans).splitlines())) <= 80


def test_what_needs_an_attribute_that_the_panels_have_not_is_listed_and_not_advised():
    cider = ms.pool("datasets/cider_fining.csv", margin="0.2 triangle")
    plans = plan_next(cider)
    ranks = plans.frame["cups_by_chance"]
    directed = plans.frame["protocol"] == "3-AFC"
    assert ranks[directed].min() < ranks.iloc[0]  # the fewest cups for its chance, were an attribute named
    assert plans.best.protocol.name == "tetrad"
    assert plans.named_first.protocol.name == "tetrad"
    said = repr(plans)
    step = cider._glance().step  # the pool's own next step is among the plans, with the chance it says
    assert step == "one more tetrad panel of 24 on new batches has a 49 % chance to settle it."
    assert re.search(r"^tetrad, 1 panel of 24, new pair +49 % ", said, re.M) and "3-AFC" not in said.split("Next")[0]
    named = ms.pool({"panel": list("AB"), "protocol": "3-AFC", "tastings": 24, "correct": [12, 14]}, margin="0.3 3-AFC")
    assert plan_next(named, Plan.every(["tetrad", "3-AFC"], [24], [1, 2])).named_first.protocol.name == "3-AFC"


def test_where_nothing_in_reach_is_likely_to_settle_it_what_would_is_said():
    near = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 60, "correct": [29, 28, 27, 29]},
                   margin=ms.Margin(p_d=0.2, protocol="triangle"))  # fmt: skip
    plans = plan_next(near, [Plan("tetrad", 24), Plan("tetrad", 60, 2)])
    assert plans.frame["settled"].max() < 0.5
    plan, chance = plans.larger
    assert chance >= 0.5 and plan.panels in (8, 16, 32) and plan.tasters == 60
    again = plan_next(near, plan).frame.loc[0, "settled"]
    assert again == pytest.approx(chance, abs=0.08)  # 4 standard errors of 1000 draws and of 4000
    said = " ".join(repr(plans).split())
    assert said.startswith(
        "Nothing here is likely to settle it. The likeliest of these 2 plans: tetrad, 2 panels of 60"
    )
    assert f"An even chance or better takes about {plan.panels} panels of 60 (tetrad): {100 * chance:.0f} %" in said


def test_the_next_step_is_the_plan_that_the_answer_names_first():
    near = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 60, "correct": [29, 28, 27, 29]},
                   margin=ms.Margin(p_d=0.2, protocol="triangle"))  # fmt: skip
    open_ = plan_next(near, [Plan("tetrad", 24), Plan("tetrad", 60, 2)])
    cider = ms.pool("datasets/cider_fining.csv", margin=ms.Margin(p_d=0.2, protocol="triangle"))
    likely = plan_next(cider, Plan.every(["3-AFC"], [24, 36]))
    assert likely.best != likely.named_first  # the best for its cups is not the likely one with the fewest
    for plans in (open_, likely):
        said = " ".join(repr(plans).split())
        named = re.search(r"(?:than not to settle it|of these \d+ plans): (.*?)(?:\. It has|:) a chance of", said)
        step = re.search(r"Next: serve (.*?), if it is in reach", said)
        assert named[1] == step[1] == plans.named_first.name
    assert "the question may well stay open" in " ".join(repr(open_).split())


def test_a_settled_question_is_said_to_be():
    pooled = ms.pool({**TRIANGLES, "correct": [35, 36, 34, 37]}, margin=HALF)
    plans = plan_next(pooled, Plan("triangle", 24))
    assert "The question is settled already, so there is nothing left for a plan to settle." in plans.statement()
    assert "chance that it is still settled more than 99 %" in plans.statement()
    assert plans.to_frame().loc[0, "settled"] > 0.9


def test_where_nothing_is_left_to_settle_plans_are_ranked_by_what_they_narrow():
    # Doing nothing keeps a settled question settled best, so the chance of that must not rank plans.
    pooled = ms.pool("datasets/cider_fining.csv", margin=HALF)
    assert pooled.verdict().label == VERDICTS[0]
    plans = plan_next(pooled, Plan.every(["triangle", "tetrad"], [24, 48]))
    frame = plans.to_frame()
    per_cup = (plans.width - frame["width"]) / frame["cups"]
    assert per_cup.is_monotonic_decreasing
    assert plans.best == Plan("tetrad", 24)
    assert frame["cups_by_chance"].isna().all() and (frame["says"] == "").all()
    text = repr(plans.details())
    assert "Narrowing most for its cups: tetrad, 1 panel of 24" in text
    assert repr(plans).startswith("The question is settled already, beyond the margin: more panels can narrow")
    assert "chance of settling" not in text and "Likeliest" not in text and "cups ÷ chance" not in text


def test_a_sampled_pool_is_planned_on_its_grid(triangles):
    from dataclasses import replace

    from metasense.engine.posterior import Patch, Posterior

    patch = triangles.posterior.patches[0]
    drawn = Patch(patch.series, 1.0, patch.mu, patch.tau, np.full(len(patch.mu), 1 / len(patch.mu)))
    sampled = Pooled(replace(triangles.core, posterior=Posterior((drawn,), "mcmc")))
    ours = plan_next(sampled, [Plan("tetrad", 40)]).to_frame()
    assert ours.equals(plan_next(triangles, [Plan("tetrad", 40)]).to_frame())


def test_errors_name_what_is_missing(triangles):
    with pytest.raises(ValueError, match=r"asked of a plain pool.* got dict"):
        plan_next(TRIANGLES)
    with pytest.raises(ValueError, match="needs a margin"):
        plan_next(ms.pool(TRIANGLES))
    with pytest.raises(ValueError, match="'Z' is not one of A, B, C and D"):
        plan_next(triangles, [Plan("triangle", 20, same_pair_as="Z")])
    with pytest.raises(ValueError, match=r"tasters = 0 .*panels = 1.5"):
        Plan("triangle", 0, 1.5)
    with pytest.raises(ValueError, match="at least one"):
        plan_next(triangles, [])
    with pytest.raises(ValueError, match="draws is a whole number from 100"):
        plan_next(triangles, [Plan("triangle", 20)], draws=10)
    with pytest.raises(ValueError, match="margin is a Margin, for instance"):
        plan_next(triangles, margin=1.0)
    for candidates in (5, "triangle", ["triangle"]):
        with pytest.raises(ValueError, match="candidates are plans, at least one"):
            plan_next(triangles, candidates)
    for seed in ("x", -1, 1.5):
        with pytest.raises(ValueError, match="seed is a whole number from 0 on"):
            plan_next(triangles, [Plan("triangle", 20)], seed=seed)
    with pytest.raises(ValueError, match="same-different"):
        Plan("same-different", 20)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("margin", "plan"),
    [(HALF, Plan("tetrad", 40, 4)), (HALF, Plan("3-AFC", 30, 4)), (ms.Margin(d_prime=1), Plan("triangle", 24, 6))],
)
def test_chance_of_settling_equals_simulating_and_refitting(triangles, margin, plan):
    pooled = ms.pool(TRIANGLES, margin=margin)
    rng, times = np.random.default_rng(7), 600
    pick = rng.integers(pooled.draws["average"].size, size=times)
    mu, tau = (pooled.draws[name].to_numpy().ravel()[pick] for name in ("centre", "spread"))
    theta = rng.normal(mu[:, None], tau[:, None], (times, plan.panels))
    counts = rng.binomial(plan.tasters, plan.protocol.p_correct(theta))
    share = np.mean([pooled_with(pooled, plan, row).verdict().label in VERDICTS[:2] for row in counts])
    row = plan_next(pooled, [plan]).to_frame().iloc[0]
    error = math.hypot(math.sqrt(share * (1 - share) / times), row["error"])
    assert abs(row["settled"] - share) <= 0.005 + 3 * error


@pytest.mark.slow
def test_unreachable_cases_by_simulating_and_refitting():
    rng = np.random.default_rng(11)
    for test, panels, times in (("triangle", 4, 300), ("tetrad", 12, 300)):
        table = {"panel": [str(i) for i in range(panels)], "protocol": test, "tastings": 40}
        within = [
            ms.pool({**table, "correct": rng.binomial(40, 1 / 3, panels)}).average.below(0.5) > 0.95
            for _ in range(times)
        ]
        ours = plan_next(ms.pool(NOTHING, margin=HALF), [Plan(test, 40, panels)]).to_frame().loc[0, "within_if_none"]
        share = np.mean(within)
        assert abs(ours - share) <= 0.005 + 3 * math.sqrt(share * (1 - share) / times + 0.25 / 4000)


@pytest.mark.parametrize("prob", [0.5, 0.8, 0.95])
def test_the_interval_of_a_count_is_scipys(prob):
    for n, p in ((24, 0.4), (40, 1 / 3), (7, 0.9)):
        binomial = stats.binom(n, p)
        found = NextPanel(ms.protocol("triangle"), n, binomial.pmf(np.arange(n + 1)))
        assert found.interval(prob) == tuple(binomial.interval(prob))


def test_the_error_of_a_drawn_chance_is_the_standard_error_of_so_many_draws(triangles):
    plan = plan_next(triangles, Plan.every(["triangle"], [40], [4]), draws=400)
    row = plan.to_frame().iloc[0]
    assert 0.01 < row["settled"] < 0.99
    assert row["error"] == pytest.approx(math.sqrt(row["settled"] * (1 - row["settled"]) / 400), abs=2e-4)


def test_a_panel_tasted_again_with_a_direction_has_one():
    two, three = Counts(ms.protocol("2-AFC"), 20, 12), Counts(ms.protocol("triangle"), 24, 9)
    for first, then in ((two, three), (three, two)):
        assert outlook.Again(first, then).protocol.directed
    assert not outlook.Again(three, three).protocol.directed


OPEN, FAR = VERDICTS[2], VERDICTS[0]


def row(plan="one", settled=0.4, **more):
    """A plan's row with numbers made up."""
    usual = {"beyond": 0.3, "within": 0.1, "within_if_none": 0.5, "error": 0.0, "width": 0.8, "cups": 72, "people": 24}
    return {"plan": plan, "settled": settled} | usual | {"cups_by_chance": 72 / max(settled, 1e-9), "says": ""} | more


def compared(*rows, below=0.7):
    frame = pd.DataFrame(rows)
    now = Verdict(HALF, 1 - below, below)
    return Plans(HALF, now, 1.5, tuple(Plan("triangle", 24) for _ in rows), frame)


def test_the_paragraph_says_where_it_stands_and_what_the_best_plan_brings():
    said = compared(row("one"), row("two", 0.3))._paragraph()
    assert said.startswith("Now not settled: the probability that the average d-prime is below the margin, ")
    assert (
        "is 70 %. Best for its cups: one: chance of settling it 40 %, beyond the margin 30 %, within it 10 %;" in said
    )
    assert "would be 0.80 wide instead of 1.50; 72 cups for 24 tasters." in said
    assert "Likeliest" not in said and "nothing to taste" not in said
    likelier = compared(row("one"), row("two", 0.6))._paragraph()
    assert "Likeliest to settle it: two: chance of settling it 60 %" in likelier
    assert compared(row("one"))._line().startswith("The plan: one: chance")
    assert "40 % (Monte Carlo error 1.2 %), beyond" in compared(row(error=0.012))._line()


@pytest.mark.parametrize(
    ("chances", "said"),
    [
        ([0.009], "If there is truly nothing to taste, this plan has a chance of less than 1 %"),
        ([0.01], None),
        ([0.001, 0.001], "each of these plans has a chance"),
        ([0.001, 0.5], "1 of these 2 plans has a chance"),
        ([0.001, 0.001, 0.5], "2 of these 3 plans have a chance"),
    ],
)
def test_plans_that_cannot_find_that_there_is_nothing_are_counted(chances, said):
    rows = [row(f"plan {i}", within_if_none=chance) for i, chance in enumerate(chances)]
    text = compared(*rows)._paragraph()
    assert ("to end within the margin." in text) == (said is not None)
    assert said is None or said in text
    assert "to end within the margin" not in compared(*rows, below=0.01)._paragraph()  # settled already


def test_where_no_plan_can_settle_it_that_is_all_that_is_said_of_them():
    cannot = row("one", 0.001, says="cannot settle it")
    many, one = compared(cannot, cannot), compared(cannot)
    assert many._line() == "None of these plans can settle it: the chance is less than 1 in 100."
    assert one._line() == f"This plan ({one.best.name}) cannot settle it: the chance is less than 1 in 100."
    assert "Likeliest" not in many._paragraph()
    assert compared(cannot, row("two"))._line().startswith("Best for its cups: one")


def test_of_a_settled_question_the_narrowing_is_told():
    done = compared(row("one"), row("two", 0.9), below=0.01)
    assert done.already and not compared(row()).already
    assert done._line().startswith("Narrowing most for its cups: one: chance that it is still settled 40 %")
    assert "The question is settled already, so there is nothing left for a plan to settle." in done._paragraph()
    assert "Likeliest" not in done._paragraph()
    table = repr(done.details())
    assert "still settled" in table and "cups ÷ chance" not in table and "most narrowing per cup first" in table
    assert "cups ÷ chance" in repr(compared(row()).details()) and "fewest cups per chance first" in repr(
        compared(row()).details()
    )
    assert done.plot(ax=Figure()).get_ylabel().startswith("narrowing")
    assert compared(row(), row("two", 0.3)).plot(ax=Figure()).get_ylabel() == "chance of settling the question"


def test_drawn_chances_say_so_in_the_methods_and_exact_ones_in_the_table():
    drawn, exact = compared(row(error=0.01)), compared(row())
    assert drawn._methods()[-1].endswith("for the others outcomes are drawn, and the standard error is stated.")
    assert exact._methods()[-1] == "Plans with few possible outcomes are followed through all of them."
    assert "exact" in repr(exact.details()) and "1.0 %" in repr(drawn.details())


def test_the_likeliest_plan_is_the_last_of_those_shown():
    rows = [row(f"plan {i}", 0.2) for i in range(15)]
    rows[13]["settled"] = 0.6
    order = compared(*rows)._ranked()["plan"].tolist()
    assert order[:12] == [f"plan {i}" for i in range(11)] + ["plan 13"]
    assert sorted(order) == sorted(r["plan"] for r in rows)
    rows[13]["settled"], rows[11]["settled"] = 0.2, 0.6
    assert compared(*rows)._ranked()["plan"].tolist() == [f"plan {i}" for i in range(15)]


def test_the_usual_size_is_the_median_in_whole_sets_of_orders():
    # all six orders of a triangle take six tasters
    for tastings, size in (([24, 30, 60], 30), ([26], 24), ([28], 30), ([2], 6), ([5000], 1000)):
        table = {"panel": [f"P{i}" for i in range(len(tastings))], "protocol": "triangle", "tastings": tastings}
        assert usual_size(ms.pool(table | {"correct": [n // 2 for n in tastings]}).core) == size
    two = {"panel": ["A"], "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 22, "false_alarms": 6}
    assert usual_size(ms.pool(two).core) == 42


def test_notes_name_attributes_pairs_and_how_plans_were_worked_out():
    pooled = ms.pool(TRIANGLES | {"batch_pair": ["oak", None, "ash", "ash"]}, margin=HALF)
    plans = (Plan("2-AFC", 12), Plan("triangle", 12, 1, "A"), Plan("triangle", 12, 1, "B"))
    frame = pd.DataFrame({"plan": [p.name for p in plans], "panels": [1, 1, 1], "nodes": LEVELS[0], "resolved": True})
    notes = list(_notes(pooled.core, plans, frame))
    assert notes[0].startswith(
        "Needs an attribute named beforehand: 2-AFC, which asks which cup has more of it. The chances hold if"
    )
    assert notes[0].endswith("If only some tasters can taste it, they are too high.")
    assert notes[1].startswith("The same pair as A (oak): further tastings") and notes[2].startswith(
        "The same pair as B: "
    )
    assert len(notes) == 4 and notes[3].startswith("People are counted as if nobody came twice.")
    many = list(_notes(pooled.core, (Plan("triangle", 12, 2),), frame.iloc[:1].assign(panels=2, nodes=LEVELS[0] + 1, resolved=False)))  # fmt: skip
    assert many[0].startswith("Several panels stand for as many batch pairs.")
    assert many[1].startswith("Worked out on a finer grid, as they would narrow the answer much: 2-AFC, 1 panel of 12")
    assert many[2].startswith("Beyond what the finest grid resolves, so only roughly right: 2-AFC") and len(many) == 4


@pytest.mark.parametrize(
    ("wrong", "words"),
    [({"draws": 99}, "draws is a whole number from 100 on; got 99"), ({"draws": 10_000_001}, "from 100 on"),
     ({"seed": -1}, "seed is a whole number from 0 on; got -1"), ({"seed": 1.5}, "seed is a whole number"),
     ({"candidates": []}, "candidates are plans, at least one"), ({"candidates": ["triangle"]}, "candidates are plans"),
     ({"candidates": 3}, "candidates are plans")],
)  # fmt: skip
def test_numbers_that_cannot_be_are_refused(triangles, wrong, words):
    with pytest.raises(ValueError, match=words):
        plan_next(triangles, **({"candidates": Plan("triangle", 12)} | wrong))


def test_equal_candidates_are_worked_out_once_and_the_margin_may_be_another(triangles):
    found = plan_next(
        triangles, [Plan("triangle", 6), Plan("triangle", 6)], margin=ms.Margin(d_prime=1.0), draws=100, seed=0
    )
    assert len(found.frame) == 1 and found.margin.d_prime == 1.0
    lower, upper = triangles.average.interval()
    assert found.width == pytest.approx(upper - lower)
    assert found.now.below == pytest.approx(triangles.average.below(1.0))


@pytest.mark.parametrize(
    ("within", "beyond", "said"),
    [(0.39, 0.01, ", within the margin,"), (0.38, 0.02, ","), (0.01, 0.39, ", beyond the margin,"), (0.3, 0.1, ",")],
)
def test_a_plan_in_brief_names_a_side_where_more_than_nineteen_in_twenty_of_its_chance_lie(within, beyond, said):
    row = {"plan": "tetrad, 2 panels of 24", "settled": 0.4, "within": within, "beyond": beyond, "cups": 192}
    assert Plans._how_likely(None, row) == f"a chance of 40 %{said} for 192 cups"


def test_the_likeliest_plan_is_named_among_those_it_is_the_likeliest_of():
    # a 3-AFC finds more than a tetrad of as many, but asks for an attribute that these panels do not name
    near = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 60, "correct": [29, 28, 27, 29]},
                   margin=ms.Margin(p_d=0.2, protocol="triangle"))  # fmt: skip
    plans = plan_next(near, [Plan("tetrad", 24), Plan("3-AFC", 60, 2)])
    assert plans.frame.set_index("protocol")["settled"].idxmax() == "3-AFC"
    assert "The likeliest that needs no attribute: tetrad, 1 panel of 24" in " ".join(repr(plans).split())


def test_a_first_screen_shows_four_plans_with_the_cheapest_likely_and_the_likeliest_among_them():
    rows = [row(f"plan {i}", 0.2) for i in range(7)]
    rows[4] |= {"settled": 0.8, "cups": 200}
    rows[6] |= {"settled": 0.5, "cups": 100}
    found = compared(*rows)
    assert found._first_rows()["plan"].tolist() == ["plan 0", "plan 1", "plan 4", "plan 6"]
    assert found._place_of_likely() == 6  # an even chance is likely enough
    assert found._likely()[0] == "With the fewest cups, this is more likely than not to settle it: plan 6."
    assert found._likely()[1].startswith("It has a chance of 50 %")
    assert found._step() == "serve triangle, 1 panel of 24, new pair, if it is in reach."
    assert "4 plans of 7, best for their cups" in repr(found)
    done = compared(*rows, below=0.01)
    assert done._first_rows()["plan"].tolist() == [f"plan {i}" for i in range(4)]
    assert "narrowing most for their cups" in repr(done) and done._step() == "decide as planned, and write it up."
    assert done._likely()[1] == "Narrowing it most for its cups: plan 0."


def test_less_than_an_even_chance_is_not_likely_and_more_is_not_asked_where_nothing_can_be_worked_out():
    found = compared(row("one", 0.499), row("two", 0.3))
    assert found._likely() == [
        f"Nothing here is likely to settle it. The likeliest of these 2 plans: one: {found._how_likely(row('one', 0.499))}."
    ]
    assert found.larger is None and found.named_first is found.plans[0]
    assert found._step().endswith("if it is in reach; the question may well stay open.")
    assert compared(row("one", 0.3))._likely()[0].startswith("Nothing here is likely to settle it. This plan: one: a")
    assert compared(row("one", 0.001), row("two", 0.002)).named_first == Plan("triangle", 24)


def test_notes_on_attributes_and_pairs_stand_only_beside_plans_they_concern():
    notes = ("Needs an attribute named beforehand: 3-AFC.", "The same pair as B: more.", "People are counted.")
    plans = (Plan("triangle", 24), Plan("3-AFC", 24), Plan("triangle", 24, 1, "B"))
    found = Plans(HALF, Verdict(HALF, 0.3, 0.7), 1.5, plans, pd.DataFrame([row(plan.name) for plan in plans]), notes)
    names = found.frame["plan"]
    assert found._on(names) == notes
    assert found._on(names.iloc[:1]) == notes[2:]
    assert found._on(names.iloc[:2]) == (notes[0], notes[2]) and found._on(names.iloc[[2]]) == notes[1:]


def test_a_plan_that_cannot_settle_it_has_no_cups_for_its_chance():
    shown = compared(row("one", 0.5, cups_by_chance=1234.4), row("two", 0.001, says="cannot settle it"))._table()
    lines = {line.split()[0]: line for line in shown.to_text().splitlines() if line.split()[:1] in (["one"], ["two"])}
    assert "1,234" in lines["one"] and "72,000" not in lines["two"] and "cannot settle it" in lines["two"]

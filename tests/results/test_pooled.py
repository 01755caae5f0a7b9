"""What a user holds after pooling: numbers, verdict, words, draws, figure, page."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from scipy import stats

import metasense as ms
from metasense.engine.spreads import average_d_prime
from metasense.questions import sensitivity
from metasense.results.pooled import Pooled
from metasense.showing.words import banned

TRIANGLES = {"panel": ["A", "B", "C", "D"], "protocol": "triangle", "tastings": 40, "correct": [13, 12, 15, 13]}


@pytest.fixture(scope="module")
def pooled():
    return ms.pool(TRIANGLES, margin=ms.Margin(d_prime=0.5))


@pytest.fixture(scope="module")
def cider():
    return ms.pool("datasets/cider_fining.csv", margin=ms.Margin(p_d=0.2, protocol="triangle"))


@pytest.fixture(scope="module")
def directed():
    table = {
        "panel": ["A", "B", "C"],
        "protocol": ["2-AFC", "triangle", "3-AFC"],
        "tastings": [30, 30, 24],
        "correct": [20, 14, 13],
    }
    return ms.pool(table)


def test_frame_holds_the_reference_answer(pooled):
    # Reference: the same model integrated on a 97 x 97 grid by another program (four triangles of 40: 13, 12, 15, 13).
    frame = pooled.to_frame().set_index("quantity")
    assert list(frame.columns) == ["mean", "median", "lower", "upper", "prob", "kind"]
    assert frame.loc["average d-prime", "mean"] == pytest.approx(0.45759, abs=2e-5)
    assert frame.loc["next panel d-prime", ["lower", "median", "upper"]].tolist() == pytest.approx(
        [0.0182, 0.3831, 1.3645], abs=1e-3
    )
    assert frame.loc["spread", "mean"] == pytest.approx(0.29785, abs=2e-5)
    assert (frame["prob"] == 0.95).all() and (frame["kind"] == "equal-tailed").all()


def test_panels_frame_sets_each_panel_beside_the_pool(pooled):
    frame = pooled.panels_frame()
    assert frame["panel"].tolist() == ["A", "B", "C", "D"]
    assert frame.loc[0, ["pooled_lower", "pooled", "pooled_upper"]].tolist() == pytest.approx(
        [0.0169, 0.3516, 1.0206], abs=1e-3
    )
    # exact one-sided p, against scipy
    assert frame.loc[0, "p_value"] == pytest.approx(
        stats.binomtest(13, 40, 1 / 3, alternative="greater").pvalue, abs=1e-12
    )
    assert frame.loc[0, "pooled"] == frame.loc[3, "pooled"]  # the same counts, the same answer


def test_the_tab_key_offers_what_a_person_may_look_for(pooled):
    offered = dir(pooled)
    assert {"average", "verdict", "report", "to_frame", "margin", "panels"} <= set(offered)
    assert not {"collected", "core", "posterior"} & set(offered)
    assert pooled.corners is pooled.corners
    nested = ms.pool(TRIANGLES | {"batch_pair": ["x", "x", "y", "y"]}, within="batch_pair")
    assert {"groups_frame", "share"} <= set(dir(nested)) and "levels" not in dir(nested)


def test_rates_average_the_psychometric_function_rather_than_take_it_at_the_mean(pooled):
    rate = pooled.rate("triangle")
    d = pooled.next_d_prime
    middles, share = (d.x[1:] + d.x[:-1]) / 2, np.diff(d.cdf)
    assert rate.p_c.mean == pytest.approx(ms.protocol("triangle").p_correct(middles) @ share, abs=1e-5)
    assert rate.next_p_c.mean == pytest.approx(rate.p_c.mean, abs=1e-5)  # law of total expectation
    assert rate.p_c.mean > float(ms.protocol("triangle").p_correct(pooled.average.mean))  # convex near zero
    lower, upper = rate.p_c.interval()
    assert rate.p_d.interval() == pytest.approx(((lower - 1 / 3) * 1.5, (upper - 1 / 3) * 1.5), abs=1e-9)


def test_intervals_are_the_same_on_every_scale(pooled):
    test = ms.protocol("tetrad")
    lower, upper = pooled.next_d_prime.interval()
    assert pooled.rate("tetrad").next_p_c.interval() == pytest.approx(
        tuple(test.p_correct(np.array([lower, upper]))), abs=2e-5
    )


def test_next_panel_is_a_proper_prediction(pooled):
    following = pooled.next_panel("triangle", 24)
    assert following.probability.sum() == pytest.approx(1, abs=1e-12)
    mean = following.probability @ np.arange(25) / 24
    assert mean == pytest.approx(pooled.rate("triangle").p_c.mean, abs=1e-5)
    assert following.critical == 13  # ISO 4120 table, n = 24, alpha 5 %
    assert following.chance_significant == pytest.approx(following.to_frame().query("significant")["probability"].sum())
    with pytest.raises(ValueError, match="1 or more"):
        pooled.next_panel("triangle", 0)


def test_explanations_weigh_three_stories(pooled):
    frame = pooled.explanations().to_frame()
    assert frame.index.tolist() == ["none", "same", "varying"]
    assert frame["log_evidence"].tolist() == pytest.approx([-8.327898, -9.369867, -9.682444], abs=1e-5)
    assert frame["probability"].sum() == pytest.approx(1)
    weight = np.exp(frame["log_evidence"] - frame["log_evidence"].max()) * [0.5, 0.25, 0.25]
    assert pooled.explanations(prior=(0.5, 0.25, 0.25)).probability == pytest.approx((weight / weight.sum()).to_numpy())
    with pytest.raises(ValueError, match="add up to 1"):
        pooled.explanations(prior=(1, 1, 1))


@pytest.mark.parametrize(
    ("correct", "label"),
    [([28, 30, 29, 27, 30], "beyond the margin"), ([13, 14, 13, 12, 14], "not settled")],
)
def test_verdict_is_one_of_three(correct, label):
    panels = {"panel": list("ABCDE"), "protocol": "triangle", "tastings": 40, "correct": correct}
    verdict = ms.pool(panels, margin=ms.Margin(d_prime=1.0 if label != "not settled" else 0.5)).verdict()
    assert verdict.label == label
    assert verdict.above + verdict.below == pytest.approx(1)


def test_many_tetrads_at_chance_are_within_a_margin():
    panels = {"panel": [f"P{i}" for i in range(12)], "protocol": "tetrad", "tastings": 40, "correct": [13, 14] * 6}
    assert ms.pool(panels, margin=ms.Margin(d_prime=0.6)).verdict().label == "within the margin"


def test_without_a_margin_there_is_no_verdict_and_the_way_to_one_is_said():
    pooled = ms.pool(TRIANGLES)
    assert pooled.verdict().label == "no margin given"
    assert "ms.Margin(" in pooled.verdict().sentence()
    with pytest.raises(ValueError, match="margin is a Margin"):
        ms.pool(TRIANGLES, margin=0.2)


def test_draws_agree_with_the_integration_and_repeat(cider):
    draws = cider.draws
    assert draws["d_prime"].dims == ("chain", "draw", "panel")
    assert draws["d_prime"].shape == (4, 1000, 9)
    n = 4000
    for name, exact in (("average", cider.average), ("spread", cider.spread)):
        assert float(draws[name].mean()) == pytest.approx(exact.mean, abs=4.5 * exact.sd / np.sqrt(n))
    for panel in cider.panels.frame["panel"]:
        own = cider.panel(panel)
        values = draws["d_prime"].sel(panel=panel).to_numpy().ravel()
        assert (values >= 0).all()
        assert values.mean() == pytest.approx(own.mean, abs=4.5 * own.sd / np.sqrt(n))
        # Kolmogorov-Smirnov distance of independent draws: 1.95 / sqrt(n) is exceeded once in a thousand
        assert np.abs(np.interp(np.sort(values), own.x, own.cdf) - (np.arange(n) + 0.5) / n).max() < 2.2 / np.sqrt(n)
    again = ms.pool("datasets/cider_fining.csv").draws
    assert (again["average"] == draws["average"]).all()


def test_draws_of_the_average_follow_the_centre_and_spread(cider):
    draws = cider.draws
    expected = average_d_prime(draws["centre"].to_numpy(), draws["spread"].to_numpy())
    assert np.allclose(draws["average"], expected)


def test_a_directed_panel_keeps_its_sign(directed):
    reversed_panel = ms.pool({"panel": ["A"], "protocol": ["2-AFC"], "tastings": [40], "correct": [8]})
    assert reversed_panel.panel("A").interval()[1] < 0
    assert reversed_panel.next_d_prime.support[0] >= 0
    assert directed.panel("B").support[0] >= 0 > directed.panel("A").support[0]
    assert directed.directed
    assert "normal(0, 1.5)" in directed.statement()


def test_the_statement_names_the_panel_that_does_not_go_with_the_others():
    table = {"panel": list("ABCDE"), "protocol": "triangle", "tastings": 40, "correct": [14, 15, 13, 14, 39]}
    said = " ".join(ms.pool(table).statement().split())
    assert "E does not go with the others, and without it the average d-prime would be" in said
    table |= {"correct": [14, 15, 13, 14, 16]}
    assert "does not go with the others" not in ms.pool(table).statement()
    many = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 1001, "correct": [350, 950]}
    pooled = ms.pool(many)
    pooled.statement()
    assert "fit" not in pooled.core.apart._memo  # takes a while, and is asked for


def test_arviz_object_holds_the_draws(pooled):
    native = pooled.to_arviz()
    posterior = native["posterior"]
    assert np.allclose(np.asarray(posterior["average"]), pooled.draws["average"])


def test_repr_and_html_say_the_same(cider):
    import html
    import re

    text = " ".join(repr(cider.details()).split())
    shown = re.sub(r"<img[^>]*>|<[^>]+>", " ", cider._repr_html_())
    shown = " ".join(html.unescape(shown).split())
    for sentence in (cider.headline(), cider.verdict().sentence(), *cider.notes):
        assert sentence in text
        assert " ".join(sentence.split()) in shown
    for panel in cider.panels.frame["panel"]:
        assert panel in text and panel in shown


def test_a_cell_shows_the_strip_then_the_forest_and_says_what_they_show(cider):
    import base64
    import html
    import re

    ((source, alt),) = re.findall(r'<img class="metasense" src="([^"]*)" alt="([^"]*)"', cider._repr_html_())
    drawn = base64.b64decode(source.removeprefix("data:image/svg+xml;base64,"))
    assert b"#0068a3" in drawn and b"#a84f00" in drawn  # what is smaller than the margin, and what is not
    assert html.unescape(alt) == cider._picture().alt
    assert "the margin is at 47 %" in alt
    many = {"panel": [f"P{i}" for i in range(201)], "protocol": "triangle", "tastings": 24, "correct": 9}
    assert ms.pool(many)._repr_html_().count("<img") == 1 and "201 panels is long" in repr(ms.pool(many).details())


@pytest.mark.parametrize("which", ["pooled", "cider", "directed"])
def test_no_printed_sentence_uses_a_phrase_we_do_not_use(which, request):
    result = request.getfixturevalue(which)
    for text in (
        repr(result),
        result.statement(),
        repr(result.rate("triangle")),
        repr(result.next_panel("tetrad", 24)),
    ):
        assert banned(text) == []


def test_notes_name_the_panels_that_limit_the_answer():
    panels = ms.read_panels(
        {
            "panel": ["seen", "longer", "twice", "kept back", "odd"],
            "protocol": "triangle",
            "tastings": [24, 24, 24, 24, 60],
            "correct": [10, 12, 9, 8, 5],
            "blind": ["none", "double", "double", "double", "double"],
            "looks": [1, 2, 1, 1, 1],
            "tasters": [24, 24, 8, 24, 60],
            "reported": ["yes", "yes", "yes", "no", "yes"],
        }
    )
    notes = "\n".join(ms.pool(panels).notes)
    for expected in (
        "Not double-blind: seen",
        "before the end: longer",
        "Repeat tasters known by their total only: twice",
        "Not reported elsewhere, but counted here: kept back",
        "Far fewer correct answers than guessing gives in odd",
    ):
        assert expected in notes


def test_one_panel_and_all_correct_are_said():
    assert any(note.startswith("One panel:") for note in ms.pool({**TRIANGLES, "panel": ["A"], "correct": [13]}).notes)
    perfect = ms.pool({"panel": ["A", "B"], "protocol": "tetrad", "tastings": 20, "correct": 20})
    assert any("only a lower limit" in note for note in perfect.notes)


def test_plot_labels_every_panel_and_drops_nothing(cider):
    import matplotlib

    matplotlib.use("agg")
    axes = cider.plot(order="table")
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels[:9] == cider.panels.frame["panel"].tolist()
    assert labels[9:] == ["average of panels", "next panel"]
    matplotlib.pyplot.close("all")


def test_page_is_whole_and_escaped(tmp_path):
    nasty = '<script>alert("x")</script>'
    table = {"panel": [nasty, "B"], "protocol": "triangle", "tastings": [24, 24], "correct": [12, 9]}
    pooled = ms.pool(table, margin=ms.Margin(d_prime=0.5))
    path = pooled.report(tmp_path / "page.html")
    page = path.read_text(encoding="utf-8")
    assert "<script>alert" not in page and "&lt;script&gt;" in page
    assert page.count("<script") == 2  # what the margin moves over, and what moves it
    assert "<script" not in pooled._repr_html_()
    assert "://" not in page  # nothing to fetch
    assert pooled.panels.fingerprint in page
    assert banned(page) == []


def test_everything_agrees_between_a_table_and_its_parts(pooled):
    row = pooled.to_frame(prob=0.5).iloc[0]
    assert (row["lower"], row["upper"]) == pytest.approx(pooled.average.interval(0.5))
    assert isinstance(pooled.to_frame(protocols=["duo-trio"]), pd.DataFrame)
    assert "p_d (duo-trio)" in pooled.to_frame(protocols=["duo-trio"])["quantity"].tolist()


def leaning(*correct, tastings=30):
    frame = {"panel": [f"P{i}" for i in range(len(correct))], "protocol": "2-AFC", "tastings": tastings}
    return ms.pool(frame | {"correct": list(correct)}, margin=ms.Margin(d_prime=0.5))


def test_a_directed_pool_says_which_way_it_leans():
    with_, against, open_ = leaning(24, 25), leaning(6, 5), leaning(24, 23, 7, 8)
    assert with_.expected_way > 0.95 and ", in the expected direction: beyond the margin" in with_.headline()
    assert against.expected_way < 0.05 and ", against the expected direction: beyond the margin" in against.headline()
    assert 0.05 < open_.expected_way < 0.95 and "its direction not settled" in open_.headline()
    assert with_.expected_way == pytest.approx(1 - against.expected_way, abs=0.02)  # 24, 25 mirrored is 6, 5
    assert ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [12]}).expected_way is None


def test_answers_against_the_stated_direction_are_questioned():
    assert not leaning(24, 25).warnings
    assert "against the expected direction in P0 and P1" in " ".join(leaning(6, 5).warnings)
    assert "lean opposite ways: P2 and P3 against" in " ".join(leaning(24, 23, 7, 8).warnings)
    assert "fewer correct answers than guessing gives" in leaning(6, 5).rate("2-AFC").sentence()


def test_the_figure_of_a_directed_pool_shows_both_sides_of_the_margin():
    axes = leaning(6, 5).plot(ax=Figure())
    band = axes.patches[0].get_extents().transformed(axes.transData.inverted())
    assert (band.x0, band.x1) == pytest.approx((-0.5, 0.5))
    assert "average size" in [tick.get_text() for tick in axes.get_yticklabels()]


def test_two_count_panels_alone_can_be_reported(tmp_path):
    frame = {"panel": ["A", "B"], "protocol": ["A-not-A", "same-different"], "signal": [20, 30], "hits": [14, 20]}
    pooled = ms.pool(frame | {"noise": [20, 30], "false_alarms": [8, 10], "tasters": [4, 60]})
    assert "Several tastings a person in A:" in " ".join(pooled.warnings)
    assert "Every answer in every panel was correct" not in " ".join(pooled.notes)
    assert "nothing to disagree" in pooled.disagreement().sentence()
    assert pooled.report(tmp_path / "page.html").stat().st_size > 10_000


def test_a_reversed_yes_or_no_panel_is_questioned():
    frame = {"panel": ["A"], "protocol": "A-not-A", "signal": [20], "hits": [2], "noise": [20], "false_alarms": [18]}
    assert "against the expected direction in A" in " ".join(ms.pool(frame).warnings)


@pytest.mark.parametrize("wrong", [{"draws": 0}, {"draws": 1.5}, {"chains": 0}, {"seed": -1}, {"seed": "x"}])
def test_sizes_of_the_draws_are_whole_numbers(wrong):
    with pytest.raises(ValueError, match=f"{next(iter(wrong))} is a whole number"):
        ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [12]}, **wrong)


def test_priors_and_protocols_are_taken_as_people_give_them():
    table = {"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [12]}
    with pytest.raises(ValueError, match="priors are prior scales"):
        ms.pool(table, priors=(1, 2))
    assert ms.pool(table).to_frame(protocols="tetrad")["quantity"].iloc[3] == "p_c (tetrad)"


def test_a_sample_that_is_not_good_enough_is_said_before_the_answer():
    from dataclasses import replace

    pooled = ms.pool({"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 24, "correct": [9, 12, 13]})
    doubtful = Pooled(replace(pooled.core, advice=("The chains do not agree.",)))
    assert doubtful.headline().startswith(
        "Not to be relied on: the sample is not good enough (see the notes). Averaged"
    )
    assert pooled.headline().startswith("Averaged")


def test_a_pool_warns_when_its_answer_rests_on_the_prior():
    few = ms.pool(
        {"panel": ["A"], "protocol": "triangle", "tastings": 12, "correct": [7]}, margin=ms.Margin(d_prime=0.5)
    )
    said = sensitivity.prior_warnings(few.corners)
    assert said
    assert set(said) <= set(few.warnings)


def test_a_pool_warns_of_a_panel_further_off_than_can_be_computed():
    names = [f"P{i:02}" for i in range(31)]
    table = {"panel": names, "protocol": "tetrad", "tastings": [2000] * 30 + [5000], "correct": [700] * 30 + [5000]}
    pooled = ms.pool(table, priors=ms.Priors(spread_scale=0.01))
    off = pooled.posterior.floored()[pooled.collected.index] > 0.01
    assert off.any()
    warned = [w for w in pooled.warnings if "at the limit of what the computation resolves" in w]
    assert len(warned) == 1
    assert all((name in warned[0]) == bool(far) for name, far in zip(names, off, strict=True))


def test_draws_of_a_panel_whose_answers_went_the_other_way_keep_their_sign():
    table = {
        "panel": ["along", "against", "odd"],
        "protocol": ["2-AFC", "2-AFC", "triangle"],
        "tastings": 60,
        "correct": [48, 12, 30],
    }
    drawn = ms.pool(table).draws["d_prime"]
    medians = [float(drawn.sel(panel=name).median()) for name in table["panel"]]
    assert medians[0] > 0.5 and medians[1] < -0.5
    assert float(drawn.sel(panel="odd").min()) >= 0


def test_plot_takes_the_orders_there_are(pooled):
    with pytest.raises(ValueError, match="got 'estimates'"):
        pooled.plot(order="estimates")
    assert pooled.plot(order="estimate") is not None


def test_no_protocols_asked_for_gives_the_d_primes_alone():
    pooled = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    assert pooled.to_frame(protocols=[])["quantity"].tolist() == ["average d-prime", "next panel d-prime", "spread"]

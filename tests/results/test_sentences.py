"""What the demos print, read by machine; the whole of it is for reading: ``python tests/reading/demos.py FILE``."""

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from reading import demos

import metasense as ms
from metasense.engine.priors import LearnedPriors
from metasense.results import sentences
from metasense.showing import plain, words

NAMES = [name if name == "cider_fining" else pytest.param(name, marks=pytest.mark.slow) for name in demos.MARGINS]
OTHERS = [name if name == "coffee_bags" else pytest.param(name, marks=pytest.mark.slow) for name in demos.MARGINS]


@pytest.mark.lab
@pytest.mark.parametrize("name", OTHERS)
def test_no_sentence_of_a_demo_slips(name):
    texts = list(demos.results(name, page=name == "coffee_bags"))  # the one whose page has every part
    assert len(texts) > 60
    found = [(where, fault) for where, text in texts for fault in demos.faults(text, raw=where.endswith(demos.RAW))]
    assert found == []


def test_no_plan_sheet_or_command_slips():
    texts = [*demos.plans(), *demos.commands()]
    found = [(where, fault) for where, text in texts for fault in demos.faults(text, raw=where.endswith(demos.RAW))]
    assert len(texts) > 80 and found == []


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("The average is nan.", "a number that is none"),
        ("It moved by 3e-06.", "raw digits"),
        ("1 panels were pooled.", "a plural of one"),
        ("The the average rose.", "a doubled word"),
        ("It rose..", "doubled or stray punctuation"),
        ("The {name} rose.", "a placeholder"),
        ("There is no difference.", "not our words"),
    ],
)
def test_the_reader_sees_slips(text, what):
    assert [fault.split(":")[0] for fault in demos.faults(text)] == [what]


@pytest.fixture(scope="module", params=NAMES)
def met_first(request):
    """Every result of one data set that people meet first."""
    panels = demos.panels_of(request.param)
    kinds = ("plain", "without a margin", "nested", "moderated")
    found = [demos.pool_of(request.param, kind) for kind in kinds]
    found += [demos.pool_of(request.param, "with tastings").tasters(), found[0].averaged(), found[0].some()]
    found += [found[0].disagreement(), ms.plan_next(found[0], draws=200)]
    found += [ms.one_panel(panel, margin=demos.MARGINS[request.param]) for panel in panels]
    if panels.frame["asked"].isin(["correct", "all"]).any():
        found.append(ms.preference(panels))
    return found


def test_plain_answers_are_short_and_plain_and_say_the_verdict_first(met_first):
    for result in met_first:
        answer = result.plain_answer()
        assert demos.grade(answer) <= 9, answer
        assert [t for t in demos.TERMS if re.search(rf"(?<![\w-]){re.escape(t)}(?![\w-])", answer)] == [], answer
        ends = len(re.findall(r"\.(?:\s|$)", answer))
        assert ends <= 3, answer
        assert re.match(
            r"(Not settled|Within the margin|Beyond the margin|No verdict|Which is liked better|Better|The pool itself|"
            r"The same difference in all fits better|Nothing in any panel fits better|"
            r"Alone, |With the fewest cups|The question is settled already|Nothing here is likely)",
            answer,
        )


def test_first_screens_are_short(met_first):
    for result in met_first:
        said = str(result)
        cautions = said.count("Caution: ")
        name = getattr(result, "panel", "")
        most = 122 + 15 * cautions  # what needs care, its terms explained, comes on top where it must
        most += len(name.split()) if isinstance(name, str) else 0  # as do names that people gave
        assert len(said.split()) <= most, said
        assert len(result.plain_answer().split()) <= 80
    plain = str(met_first[0])
    assert len(plain.split()) <= 120 and plain.count("Caution: ") <= 2  # with all of it


def test_no_caution_says_again_what_another_has_said(met_first):
    for result in met_first:
        starts = [line.split(":")[1].split()[:2] for line in str(result).splitlines() if line.startswith("Caution: ")]
        assert len(starts) < 2 or starts[0] != starts[1]


def test_first_screens_fit_a_terminal_and_details_hold_the_rest(met_first):
    for result in met_first:
        lines = str(result).splitlines()
        assert len(lines) <= 25 and max(map(len, lines)) <= 80, str(result)
        assert len(str(result.details()).split()) > 1.5 * len(str(result).split())
        assert "As a figure" not in str(result) + str(result.details()) + result.to_latex()
        assert sum(line.startswith("Caution: ") for line in lines) <= 2
        assert any(line.startswith("Next: ") for line in lines)


def test_a_cell_says_what_the_terminal_says_and_folds_the_details(met_first):
    for result in met_first:
        page = result._repr_html_()
        before, _, folded = page.partition("<details>")
        said = " ".join(demos.plain(before).replace("|", " ").split())
        for sentence in result._glance().answer:
            assert " ".join(sentence.split()) in said
        assert folded.count("<summary>") == 1 and "<script" not in page
        for part in result._shown():
            if isinstance(part, str):
                assert " ".join(part.split()) in " ".join(demos.plain(folded).split())


def test_every_command_answers_on_one_screen():
    for where, text in demos.commands():
        if "--help" not in where:
            lines = text.splitlines() or [""]
            assert len(lines) <= 25 and max(map(len, lines)) <= 80, where


def test_every_protocol_says_what_a_taster_answers():
    forced = [name for name, kind in ms.PROTOCOLS.items() if isinstance(kind, ms.Protocol)]
    assert sorted(plain.ASKED) == sorted(forced)
    assert (
        plain.Share("triangle", 1 / 3, 0.4, 0.3, 0.5).caption() == "Right of 100 (triangle: the odd one of three cups)"
    )


def test_the_grade_of_a_text_with_known_counts():
    # 2 sentences, 7 words, 7 syllables by hand: 0.39 * 3.5 + 11.8 * 1 - 15.59
    assert demos.grade("The cat sat. It was not fat.") == pytest.approx(0.39 * 3.5 + 11.8 - 15.59)


def test_the_chance_of_nothing_in_a_lone_panel_is_that_of_a_pool_of_it():
    for counts in ({"tastings": 24, "correct": 9}, {"tastings": 30, "correct": 12}):
        pooled = ms.pool([{"panel": "A", "protocol": "triangle", **counts}])
        alone = ms.one_panel("triangle", **counts)
        assert alone._nothing() == pytest.approx(pooled.explanations().probability[0], abs=1e-4)


def test_a_pool_that_may_have_nothing_to_taste_says_so():
    table = {"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [10, 9, 11]}
    pooled = ms.pool(table, margin=ms.Margin(d_prime=1.5))
    assert pooled.explanations().probability[0] > 0.2
    assert "nothing to taste" in pooled.plain_answer()


def test_a_directed_pool_says_its_direction_in_the_same_sentence():
    table = {"panel": list("AB"), "protocol": "2-AFC", "tastings": 30, "correct": [7, 6]}
    first = ms.pool(table, margin=ms.Margin(d_prime=0.3)).plain_answer().split(". ")[0]
    assert first.endswith("it goes against the expected way")
    # a 2-AFC d-prime of -0.3: Phi(-0.3 / sqrt 2) = 0.416, by SciPy's normal distribution
    assert "the margin is 42" in first


def test_a_column_is_said_in_its_own_words_with_its_unit():
    table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31]}
    pooled = ms.pool(table | {"dose (g/L)": [1, 2, 4, 6, 8, 10]}, moderators="dose (g/L)", margin=ms.Margin(d_prime=1))
    assert "Within the margin with dose at 1 g/L: of 100 tetrad answers" in pooled.plain_answer()
    assert "beyond the margin at 10 g/L: about" in pooled.plain_answer()


def test_long_names_do_not_break_the_first_screen():
    long = "A very long name of a panel that was held in the old barn " * 4
    table = {"panel": [f"{long}{i}" for i in range(12)], "protocol": "triangle", "tastings": 24, "correct": 9}
    pooled = ms.pool(table | {"blind": "none", "looks": 2}, margin=ms.Margin(d_prime=1))
    alone = ms.one_panel(next(iter(pooled.panels)), margin=ms.Margin(d_prime=1))
    for result in (pooled, alone, pooled.panels):
        lines = str(result).splitlines()
        assert len(lines) <= 25 and max(map(len, lines)) <= 80


# --- the sentences of a pool ------------------------------------------------------------------------------------------


def core_of(**more):
    table = {"panel": list("AB"), "protocol": "triangle", "tastings": 24, "correct": [9, 12]}
    return ms.pool(table | more).core


def with_tastings(panels, **totals):
    rows = [
        {"panel": name, "protocol": "triangle", "taster": who, "correct": (who + k) % 2}
        for k, (name, people) in enumerate(panels.items())
        for who in people
    ]
    table = ms.read_panels(totals) if totals else None
    single = ms.read_tastings(rows)
    return (ms.pool(table, tastings=single) if totals else ms.pool(single)).core


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({}, "2 panels (2 × triangle; 48 tastings; the number of people is not given)."),
        ({"tasters": [24, None]}, "48 tastings; the number of people is not given for every panel)."),
        ({"tasters": [24, 20]}, "48 tastings by 44 tasters, counted panel by panel)."),
        ({"protocol": ["tetrad", "triangle"]}, "2 panels (1 × tetrad and 1 × triangle; 48 tastings"),
    ],
)
def test_what_was_pooled_is_said_with_people_and_tastings_apart(more, said):
    assert said in sentences.pooled_what(core_of(**more))


def test_people_known_by_name_are_counted_once_where_all_are():
    alone = sentences.pooled_what(with_tastings({"A": range(6), "B": range(6, 12)}))
    assert "12 tastings by 12 people)." in alone
    again = sentences.pooled_what(with_tastings({"A": range(6), "B": range(4, 10)}))
    assert (
        "12 tastings by 10 people, 2 of them in more than one panel (linked by name and followed from one to the next))."
        in again
    )
    some = with_tastings({"A": range(6)}, panel=["B"], protocol=["triangle"], tastings=[24], correct=[9], tasters=[24])
    assert "30 tastings by 30 tasters, counted panel by panel" in sentences.pooled_what(some)
    assert sentences.sittings(core_of()) is None
    assert sentences.sittings(with_tastings({"A": range(3), "B": range(2, 4)})).tolist() == [1, 1, 2, 1]


def test_the_headline_says_answers_then_d_prime_then_the_verdict():
    core = core_of()
    said = sentences.headline(core)
    share = words.percent(core.rate("triangle").p_c.median)
    assert said.startswith(f"Averaged over panels like these 2, {share} of triangle answers would be correct, where ")
    assert "guessing alone gives 33 %. Average d-prime: " in said and said.endswith("; no margin given.")
    one = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 9}, margin=ms.Margin(d_prime=1))
    assert sentences.headline(one.core).startswith("Averaged over panels like this one, ")
    assert sentences.headline(one.core).endswith(": not settled against the margin of 1.00.")
    far = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 90, "correct": 85}, margin=ms.Margin(d_prime=1))
    assert sentences.headline(far.core).endswith(": beyond the margin of 1.00.")
    poor = replace(core, advice=("Too few draws.",))
    assert sentences.headline(poor).startswith("Not to be relied on: the sample is not good enough (see the notes). Av")


def test_a_direction_is_said_where_there_is_one():
    with_, against, open_ = (core_of(protocol="2-AFC", correct=[x, x]) for x in (20, 4, 12))
    assert [sentences.direction(core) for core in (with_, against, open_, core_of())] == [
        ", in the expected direction",
        ", against the expected direction",
        ", its direction not settled",
        "",
    ]
    assert "lean the expected way (towards the answers that count as correct) is more than 99 %" in sentences.size(
        with_
    )
    assert "expected way" not in sentences.size(core_of())
    assert sentences.size_of(with_) == "theta_i (with its sign where a direction was stated)"
    assert sentences.size_of(core_of()) == "|theta_i|"


def test_the_methods_say_how_it_was_worked_out_and_how_the_margin_came_about():
    core = core_of()
    model, priors, computation, _, decision, _, again = sentences.plain_methods(core)
    assert "|theta_i| with theta_i ~ Normal(mu, tau)" in model and priors.endswith("(95 %).")
    assert "by integration over a grid" in computation and "less than 0.00001" in computation
    assert decision.startswith("Decision: no margin was named.") and "above 95 %" in decision
    assert again.endswith(f"data with SHA-256 {core.panels.fingerprint[:12]}..., seed 1.")
    sampled = replace(core, settings=core.settings | {"method": "mcmc", "chains_said": "Four chains agree."})
    assert sentences.computed(sampled) == "sampled with PyMC. Four chains agree."
    named = replace(core, margin=ms.Margin(d_prime=1))
    assert "named with the pool." in sentences.plain_methods(named)[4]
    card = ms.Card(
        question="?", decision="!", margin=ms.Margin(d_prime=1), protocols="triangle", tastings=24, date="2025-01-01"
    )
    assert "named on a question card." in sentences.plain_methods(replace(named, card=card))[4]


def test_the_basis_says_how_probable_it_is_that_there_is_nothing():
    core = core_of()
    none = ms.pool(core.panels).explanations().probability[0]
    assert f"nothing to taste at all is {words.percent(none)} when" in sentences.basis(core)
    spread, following = core.spread, core.next_d_prime
    said = sentences.variation(core)
    assert f"an SD of {words.d(spread.median)} (" in said
    low, high = following.interval()
    assert f"expected between {words.d(low)} and {words.d(high)} (95 %)" in said


def test_how_probable_nothing_was_beforehand_is_said_as_it_was_learned():
    priors = LearnedPriors(1.5, 0.5, odds=(0.6, 0.3, 0.1), learned_from="30 spices")
    core = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 8}, priors=priors).core
    assert " (60 % beforehand) there is nothing, and it is 0" in sentences.headline(core)


def test_people_known_by_name_are_said_beside_panels_of_which_it_is_not_known_how_many_came():
    both = with_tastings(
        {"A": range(6), "B": range(4, 10)}, panel=["C"], protocol=["triangle"], tastings=[24], correct=[9]
    )
    assert (
        "36 tastings, of them some by 10 people, 2 of them in more than one panel (linked by name and followed from "
        "one to the next); the number of other people is not given)." in sentences.pooled_what(both)
    )


def test_people_known_by_number_are_added_to_those_known_by_name():
    both = with_tastings(
        {"A": range(6), "B": range(4, 10)}, panel=["C"], protocol=["triangle"], tastings=[24], correct=[9], tasters=[24]
    )
    assert (
        "36 tastings by 34 people, 2 of them in more than one panel (linked by name and followed from one to the next), "
        "if those of C are other people)." in sentences.pooled_what(both)
    )


@pytest.mark.parametrize(("chance", "said"), [(plain.MENTIONED, True), (plain.MENTIONED - 1e-6, False)])
def test_that_there_may_be_nothing_is_mentioned_from_its_level_on(chance, said, monkeypatch):
    core = core_of()
    explained = SimpleNamespace(probability=[chance, 0.5, 0.5 - chance], prior=(0.4, 0.3, 0.3))
    monkeypatch.setattr(sentences, "explain", lambda core: explained)
    text = sentences.or_nothing(core)
    assert (text == "") != said
    if said:
        share = words.probability(chance)
        assert text.endswith(f"with a probability of {share} (40 % beforehand) there is nothing, and it is 0")
    counted = SimpleNamespace(nothing=chance, sentence=lambda: "one", on_the_odds=lambda: "two")
    monkeypatch.setattr(sentences, "Averaged", lambda core, odds: counted)
    assert sentences.averaged(core) == (["one", "two"] if said else [])


def test_odds_are_equal_or_said_as_they_were_learned():
    core = core_of()
    assert sentences._odds(core) == "equally probable"
    priors = LearnedPriors(1.5, 0.5, odds=(0.6, 0.3, 0.1), learned_from="30 spices")
    assert sentences._odds(replace(core, priors=priors)) == "60 % : 30 % : 10 %, as learned"


def test_how_people_were_followed_is_said_with_its_draws_and_errors():
    core = core_of()
    found = SimpleNamespace(sitters=SimpleNamespace(rho=0.7), mu=range(1200), error=0.0123)
    followed = replace(core, regulars=SimpleNamespace(found=found), evidences=replace(core.evidences, error=0.0456))
    said = sentences.computed(followed)
    assert "with correlation 0.7 (Gaussian copula)" in said and "1,200 draws of the standings" in said
    assert said.endswith("Monte Carlo standard error of the mean 0.0123, of the log evidence of varying 0.046.")
    moved = replace(core, evidences=replace(core.evidences, error=0.00012))
    assert sentences.computed(moved).endswith("the log evidence moves by 0.00012.")


def test_a_paragraph_says_what_was_pooled_first_and_what_it_rests_on_last():
    core = core_of()
    said = sentences.paragraph(core, checked=False)
    assert said == [
        sentences.pooled_what(core), sentences.size(core), sentences.variation(core), core.verdict().sentence(), sentences.basis(core),
    ]  # fmt: skip

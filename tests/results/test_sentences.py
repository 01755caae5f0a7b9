"""What the demos print, read by machine; the whole of it is for reading: ``python tests/reading/demos.py FILE``."""

import re

import pytest
from reading import demos

import metasense as ms

ALWAYS = ("cider_fining", "coffee_bags")  # the third holds no kind of result that these have not


@pytest.mark.parametrize(
    "name", [name if name in ALWAYS else pytest.param(name, marks=pytest.mark.slow) for name in demos.MARGINS]
)
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


@pytest.fixture(scope="module", params=demos.MARGINS)
def met_first(request):
    """Every result of one data set that people meet first."""
    margin = demos.MARGINS[request.param]
    panels = ms.read_panels(demos.DATA / f"{request.param}.csv")
    tastings = ms.read_tastings(demos.DATA / f"{request.param.split('_')[0]}_tastings.csv")
    found = [
        ms.pool(panels, margin=margin),
        ms.pool(panels),
        ms.pool(panels, margin=margin, within="batch_pair"),
        ms.pool(panels, margin=margin, moderators=demos.MODERATORS[request.param]),
        ms.pool(panels, tastings=tastings, margin=margin).tasters(),
        *(ms.one_panel(panel, margin=margin) for panel in panels),
    ]
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
            r"(Not settled|Within the margin|Beyond the margin|No verdict|Which is liked better|Better)", answer
        )


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

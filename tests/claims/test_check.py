"""Claims held against a result: every rule for and against, numbers, verdicts, people, and our own statements.

The phrases to mark are those that guidance on reporting warns of: vote counting (Cochrane Handbook, chapter 12),
p-values read as probabilities of the null (Greenland et al. 2016; ASA statement 2016), power after the fact (Hoenig and
Heisey 2001), absence of evidence (Altman and Bland 1995), all named from memory, and p_d read as a number of people
(common practice, no source).
"""

import datetime as dt
import re
from html import unescape
from pathlib import Path

import pandas as pd
import pytest

import metasense as ms
from metasense.claims import check, circumstances, rules
from metasense.claims.facts import Sitting, facts_of
from metasense.claims.numbers import counted, levels, numbers, with_points
from metasense.cli import main
from metasense.showing.words import BANNED, banned

MARGIN = ms.Margin(p_d=0.2, protocol="triangle")


@pytest.fixture(scope="module")
def cider():
    return ms.pool("datasets/cider_fining.csv", margin=MARGIN)


@pytest.fixture(scope="module")
def alone():
    return ms.one_panel("triangle", 24, 10, margin=MARGIN)


@pytest.fixture(scope="module")
def liking(cider):
    return cider.preference()


# --- wording: each rule marks the first three or more and leaves the others alone ------------------------------------

WORDING = {
    "no-difference": (
        [
            "There is no difference between the two ciders.",
            "We found no statistically significant difference, so the fining is safe to change.",
            "The products did not differ.",
            "The two are indistinguishable.",
            "They taste exactly the same.",
            "The new cider tastes the same as the old one.",
            "The panel was just guessing.",
            "It is not statistically significant, and there is no difference.",
            "Tasters did no better than chance.",
        ],
        [
            "We cannot say that there is no difference.",
            "This is not evidence of no difference.",
            "Whether there is no difference cannot be told from this.",
            "There may be a difference smaller than the margin.",
            "The same tasters sat in two panels.",
            'The result never licenses "no difference".',
            "One d-prime, the same in all panels, explains it as well.",
        ],
    ),
    "headcount": (
        [
            "25 % of people can taste it.",
            "12 of 24 could tell the difference.",
            "One in four tasters noticed the change.",
            "Half the tasters detected the new fining.",
            "Most people can tell them apart.",
            "Some people can clearly taste the plant protein.",
        ],
        [
            "12 of 24 answers were correct.",
            "12 of 24 tasters picked the odd cup.",
            "42 % of triangle answers would be correct.",
            "The panels cannot say how many people can taste it.",
        ],
    ),
    "everyone": (
        [
            "Nobody will notice.",
            "Everyone could taste it.",
            "Our customers won't notice the change.",
            "All tasters found the odd one.",
        ],
        [
            "Everyone was asked afterwards.",
            "We do not know whether customers would notice.",
            "Everybody tasted from the same barrel.",
        ],
    ),
    "size-in-words": (
        ["The difference is negligible.", "The difference was really obvious.", "It is barely different."],
        [
            "A panel of 24 could miss a small difference.",
            "How large the difference is was not settled.",
            "The difference is small: a d-prime of 0.3.",
            "The effect is larger than we thought.",
        ],
    ),
    "proved": (
        [
            "This proves that they differ.",
            "We have proof of a difference.",
            "The result is conclusive.",
            "It is certainly there.",
        ],
        [
            "This proves nothing.",
            "It does not prove that they differ.",
            "The result is inconclusive.",
            "An 80 proof spirit.",
        ],
    ),
    "chance-of-the-null": (
        [
            "There is only a 3 % chance that it was luck.",
            "The probability that the result is due to chance is 4 %.",
            "It is 3 % likely to be coincidence.",
            "p = 0.03, the probability that there is no difference.",
            "The chance that the null hypothesis is true is 4 %.",
        ],
        [
            "If all guess, the chance of so many correct by luck is 25 %.",
            "The p-value is not the probability that it was luck.",
            "The probability that it is beyond the margin is 8 %.",
        ],
    ),
    "sure-in-percent": (
        [
            "We are 97 % sure that they differ.",
            "I am 95% certain it tastes the same.",
            "We are 99 per cent confident the difference is real.",
        ],
        [
            "We are 95 % sure the difference is below the margin.",
            "It would be wrong to say that we are 97 % sure that they differ.",
            "We are not sure that they differ.",
        ],
    ),
    "significant-alone": (
        ["The result is significant.", "There was an insignificant effect.", "The panel reached significance."],
        [
            "The panel was statistically significant.",
            "Two significant figures are enough.",
            "Its statistical significance is low.",
        ],
    ),
    "significant-pool": (
        [
            "The pooled result is statistically significant.",
            "Overall it is statistically insignificant.",
            "The statistical significance is high.",
        ],
        [
            "The panel alone was statistically significant.",
            "Panels that were statistically significant on their own are listed.",
            "The result is beyond the margin.",
        ],
    ),
    "vote-count": (
        [
            "2 of 9 panels were significant, so it is probably real.",
            "Most of the panels found a difference.",
            "Only one of the panels detected it.",
            "Half of the panels failed to notice it.",
            "Three panels were significant.",
            "We ran nine panels and only 2 of 9 were statistically significant.",
        ],
        [
            "The 9 panels together give an average d-prime of 0.95.",
            "One constant difference would leave 2 of 9 panels statistically significant often enough.",
            "9 panels were held between March and October.",
            "That 2 of 9 panels were significant says little.",
        ],
    ),
    "unadjusted-preference": (
        [
            "People prefer the old cider.",
            "Those who were correct liked the new one better.",
            "The new cider is the favourite.",
        ],
        [
            "This does not show which one people prefer.",
            "Nobody was asked for a preference.",
            "It says nothing about preference.",
        ],
    ),
    "power-afterwards": (
        [
            "The observed power was 23 %.",
            "Power was only 15 %.",
            "The panel was underpowered.",
            "A post-hoc power of 0.4 explains it.",
        ],
        [
            "A panel of 48 has a power of 80 % against a p_d of 0.3.",
            "The power of 80 % was planned.",
            "A more powerful protocol is the tetrad.",
        ],
    ),
    "confidence-for-credible": (
        ["The 95 % confidence interval is wide.", "We are confident that they differ.", "The 95 % CI is wide."],
        [
            "The 95 % credible interval is wide.",
            "The exact binomial confidence interval is wide.",
            "The interval is equal-tailed.",
        ],
    ),
    "highest-density": (
        ["The 95 % HDI is wide.", "The highest density interval is wide.", "The HPD interval is 0.4 to 1.4."],
        [
            "The interval is equal-tailed, not an HDI.",
            "The density is highest near 1.",
            "The equal-tailed interval is wide.",
        ],
    ),
    "interval-of-people": (
        [
            "95 % of tasters lie between 0.45 and 1.41.",
            "95 % of panels are between 0.45 and 1.41.",
            "90 % of the values are within the interval.",
        ],
        [
            "The average lies between 0.45 and 1.41 with a probability of 95 %.",
            "It does not mean that 95 % of tasters are between them.",
            "95 % of answers were right.",
        ],
    ),
    "zero-excluded": (
        [
            "The interval excludes zero.",
            "The lower limit is above zero, so it is real.",
            "The interval does not include 0.",
            "The average is clearly above zero.",
        ],
        [
            "That the interval excludes zero is no evidence of a difference.",
            "The lower limit is 0.45.",
            "A d-prime above 0.5 would matter.",
        ],
    ),
    "null-accepted": (
        ["We accept the null hypothesis.", "The null was confirmed.", "The data supports the null."],
        [
            "We do not accept the null.",
            "Few answers never mean that the null is true.",
            "The null effect model is one of three.",
        ],
    ),
    "trend": (
        [
            "There was a trend towards a difference.",
            "It was borderline significant.",
            "The result trended toward significance.",
        ],
        [
            "There is no trend towards a difference.",
            "The trend over the weeks was not looked at.",
            "A border line runs there.",
        ],
    ),
    "labels-for-people": (
        [
            "The discriminators preferred it.",
            "Two supertasters found it.",
            "The judges agreed.",
            "It takes a golden palate.",
        ],
        [
            "Nobody is a fixed yes or no: there are no discriminators.",
            "Each to judge for themselves.",
            "The tasters agreed.",
        ],
    ),
    "pass-or-fail": (
        ["The cider passed the triangle test.", "The panel failed.", "The new recipe has passed."],
        ["A month passed before the next panel.", "The grinder failed.", "The cups were passed round."],
    ),
    "named-direction": (
        ["The new cider is drier.", "It tastes better.", "The new one is less salty.", "The old one was stronger."],
        ["It is not known which is drier.", "The answers were better than chance.", "A larger panel is needed."],
    ),
}


def test_every_rule_has_sentences_for_and_against():
    assert set(WORDING) == {rule.id for rule in rules.RULES}
    assert all(len(marks) >= 3 and len(leaves) >= 3 for marks, leaves in WORDING.values())


def which(text, result):
    return [finding.rule for finding in ms.check_claim(text, result).findings]


@pytest.mark.parametrize(("rule", "text"), [(rule, text) for rule, (marks, _) in WORDING.items() for text in marks])
def test_a_rule_marks(rule, text, cider):
    findings = [f for f in ms.check_claim(text, cider).findings if f.rule == rule]
    assert findings
    assert all(f.said and f.said in text and text[f.start :].startswith(f.said) for f in findings)
    assert all(f.reason and "{" not in f.instead and len(f.instead) > 20 for f in findings)


@pytest.mark.parametrize(("rule", "text"), [(rule, text) for rule, (_, leaves) in WORDING.items() for text in leaves])
def test_a_rule_leaves_alone(rule, text, cider):
    assert rule not in which(text, cider)


CORPUS = pd.read_csv(Path(__file__).parents[1] / "data" / "claims.csv", keep_default_na=False)


@pytest.fixture(scope="module")
def results(cider, alone, liking):
    """What the sentences of the corpus are about."""
    return {
        "pool": cider,
        "within": ms.pool("datasets/bakery_salt.csv", margin=MARGIN),
        "beyond": ms.pool("datasets/cider_fining.csv", margin=ms.Margin(d_prime=0.3)),
        "alone": alone,
        "few": ms.one_panel("triangle", 24, 6),
        "liking": liking,
    }


@pytest.mark.parametrize("row", CORPUS.to_dict("records"), ids=lambda row: row["claim"][:50])
def test_newsletter_sentences_are_marked_by_the_right_rule_or_left_alone(row, results):
    """Invented sentences of newsletters and labels; an empty rule means that the sentence is supported."""
    found = which(row["claim"], results[row["result"]])
    assert row["rule"] in found if row["rule"] else found == []


def test_the_corpus_is_about_results_that_are_settled_and_not(results):
    labels = {name: results[name].verdict().label for name in ("pool", "within", "beyond")}
    assert labels == {"pool": "not settled", "within": "within the margin", "beyond": "beyond the margin"}
    assert (CORPUS["rule"] != "").sum() >= 60 and (CORPUS["rule"] == "").sum() >= 60


def test_reasons_speak_of_what_was_said(alone):
    finding = ms.check_claim("We are 75 % sure that the ciders differ.", alone).findings[0]
    assert "held probable before" in finding.reason
    assert which("Tasters failed to tell them apart.", alone) == ["no-difference"]


def test_what_a_rule_says_instead_is_supported_itself(cider, alone, liking):
    for result in (cider, alone, liking):
        for marks, _ in WORDING.values():
            for text in marks[:2]:
                for finding in ms.check_claim(text, result).findings:
                    again = ms.check_claim(finding.instead, result)
                    assert [f.rule for f in again.findings if f.rule != "people-missing"] == [], finding.instead
                    assert banned(finding.instead) == [] and banned(finding.reason) == []


@pytest.mark.parametrize("phrase", BANNED, ids=lambda phrase: phrase.instead)
def test_what_we_never_say_ourselves_is_marked_in_a_claim(phrase, cider):
    samples = [
        "There is no difference.",
        "They taste the same.",
        "25 % of tasters can taste it.",
        "We proved it.",
        "We accept the null.",
        "The confidence is high.",
        "It is significant.",
        "The discriminators agree.",
        "A supertaster.",
        "A trend towards it.",
        "The interval excludes zero.",
        "The observed power was low.",
        "The judges agreed.",
        "The panel failed.",
        "It is validated.",
    ]
    mine = [text for text in samples if re.search(phrase.pattern, text, re.IGNORECASE)]
    assert mine
    assert all(which(text, cider) for text in mine)


# --- numbers ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "From 9 panels, 177 tasters: average d-prime 0.95 (0.45 to 1.41; 95 % credible interval, equal-tailed).",
        "In a triangle test 42 % of answers would be correct, where guessing gives 33 % (177 tasters).",
        "177 people gave 204 answers; the p_d in a triangle is 13 %.",
        "In a tetrad the p_d is 24 % (177 tasters).",
        "The probability that it is above the margin is 8 %, below it 92 % (177 tasters).",
        "The d-prime is about 1 (177 tasters in nine panels).",
        "177 people were right 42% of the time in triangles, against 33% by chance; d' 0.95 (0.45-1.41).",
        "With a probability of more than 90 % the average d-prime is below the margin (177 tasters).",
        "Cider club spring alone: 15 of 30 correct, p = 0.043.",
    ],
)
def test_numbers_of_the_result_pass(text, cider):
    check = ms.check_claim(text, cider)
    assert check.ok, check
    assert len(check.checked) > 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("The average d-prime is 1.2, from 177 tasters.", "1.2"),
        ("In a triangle test 55 % of answers would be correct (177 tasters).", "55 %"),
        ("The p_d in a triangle is 42 % (177 tasters).", "42 %"),  # the share correct, not the p_d
        ("In a tetrad the p_d is 13 % (177 tasters).", "13 %"),  # the triangle's
        ("12 panels with 177 tasters: the average d-prime is 0.95.", "12 panels"),
        ("210 tasters; the average d-prime is 0.95.", "210 tasters"),
        ("Cider club spring alone: 16 of 30 correct.", "16 of 30 correct"),
        ("The average d-prime is more than 2 (177 tasters).", "2"),
    ],
)
def test_a_number_that_is_not_the_results_is_marked(text, said, cider):
    findings = [f for f in ms.check_claim(text, cider).findings if f.rule == "number-not-the-result's"]
    assert [f.said for f in findings if f.said.startswith(said) or said.startswith(f.said)], ms.check_claim(text, cider)


def test_a_share_correct_called_p_d_is_recognised(cider):
    finding = ms.check_claim("The p_d in a triangle is 42 % (177 tasters).", cider).findings[0]
    assert "p_c" in finding.reason


def test_replicates_are_not_people(cider):
    panel = ms.read_panels("datasets/cider_fining.csv")["Guild repeats"]
    repeats = ms.one_panel(panel)
    assert which("24 tasters took part and 10 of 24 answers were correct.", repeats) == ["replicates-as-people"]
    assert which("8 tasters took part and 10 of 24 answers were correct.", repeats) == []
    assert which("204 people; the average d-prime is 0.95.", cider) == ["replicates-as-people"]


def test_people_must_be_said(cider, alone):
    assert which("The average d-prime is 0.95.", cider) == ["people-missing"]
    assert which("The average d-prime is 0.95 in 204 tastings.", cider) == ["people-missing"]  # some tasted repeatedly
    assert which("The average d-prime is 0.95, from 177 tasters.", cider) == []
    assert which("10 of 24 answers were correct.", alone) == []


def test_where_people_were_not_counted_tastings_will_do_and_people_are_not_read():
    pooled = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    d = round(pooled.average.median, 2)
    assert which(f"The average d-prime is {d}, from 54 tastings.", pooled) == []
    check = ms.check_claim(f"The average d-prime is {d}, from 54 tasters.", pooled)
    assert any("how many people" in text for text in check.unread)


def test_p_d_needs_its_protocol(cider):
    assert which("The p_d is 13 % with 177 tasters.", cider) == ["protocol-missing"]
    assert which("The p_d is 13 % in triangles with 177 tasters.", cider) == []


def test_counts_of_different_guess_rates_do_not_add_up(cider):
    assert "added-counts" in which("In all 92 of 204 answers were correct.", cider)
    same = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    assert which("In all 23 of 54 answers were correct.", same) == []


@pytest.mark.parametrize(("digits", "marked"), [(2, False), (3, True), (4, True)])
def test_more_digits_than_are_known_are_marked(digits, marked, cider):
    text = f"The average d-prime is {cider.average.median:.{digits}f}, from 177 tasters."
    assert (which(text, cider) == ["too-precise"]) is marked


def test_digits_that_are_known_are_not_marked():
    large = ms.pool(
        {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 20000, "correct": [9900, 9910, 9890] * 2}
    )
    value = large.rate("tetrad").p_c
    assert value.interval()[1] - value.interval()[0] < 0.06
    text = f"In a tetrad {100 * value.median:.1f} % of answers would be correct, from 120,000 tastings."
    assert "number-not-the-result's" not in which(text, large)
    assert ("too-precise" in which(text, large)) is bool((value.interval()[1] - value.interval()[0]) / 100 > 0.001)


# --- verdict and direction --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "marked"),
    [
        ("The difference is beyond the margin.", True),
        ("The difference is within the margin.", True),
        ("It is not settled against the margin.", False),
        ("The question is undecided.", False),
        ("The difference may be beyond the margin.", False),
        ("The probability that it is beyond the margin is 8 % (177 tasters).", False),
    ],
)
def test_the_verdict_must_be_the_results(text, marked, cider):
    assert ("wrong-verdict" in which(text, cider)) is marked


def test_a_verdict_without_a_margin_is_marked():
    pooled = ms.pool("datasets/coffee_bags.csv")
    finding = next(f for f in ms.check_claim("It is beyond the margin.", pooled).findings if f.rule == "wrong-verdict")
    assert "without a margin" in finding.reason


def test_a_denied_verdict_is_read_as_denied(results):
    within = results["within"]
    assert within.verdict().label == "within the margin"
    assert "wrong-verdict" not in which("The difference is within the margin.", within)
    assert "wrong-verdict" in which("The difference is not within the margin.", within)
    assert "wrong-verdict" not in which("The difference is not beyond the margin.", within)


def test_the_probability_of_the_other_side_is_marked(cider):
    assert which("The probability that it is above the margin is 92 % (177 tasters).", cider) == ["wrong-side"]
    assert which("The probability that it is below the margin is 92 % (177 tasters).", cider) == []


def test_one_panels_significance_and_side_of_guessing(alone):
    assert which("The panel of 24 tasters was statistically significant.", alone) == ["wrong-side"]
    assert which("The panel of 24 tasters was not statistically significant, p = 0.25.", alone) == []
    assert which("10 of 24 answers were correct, more than guessing gives.", alone) == []
    few = ms.one_panel("triangle", 24, 6)
    assert which("6 of 24 answers were correct, more than chance.", few) == ["wrong-side"]


def test_a_direction_is_allowed_where_an_attribute_was_named(results):
    directed = results["within"]
    assert directed.posterior.directed
    assert "named-direction" not in which("The new loaf is less salty.", directed)


def test_preferences_of_the_correct_are_diluted(liking):
    assert "unadjusted-preference" in which("3 of 7 prefer the new cider.", liking)
    assert "unadjusted-preference" in which("43 % prefer the new cider.", liking)
    assert which("Naively 3 of 7 prefer the new cider; some of them only had luck.", liking) == []
    new = liking.beyond_luck.above(0.5) > 0.5
    assert which(f"Most tasters prefer the {'old' if new else 'new'} one.", liking) == ["wrong-side"]


# --- our own words ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "margin"),
    [
        ("cider_fining", None),
        ("cider_fining", MARGIN),
        ("bakery_salt", ms.Margin(d_prime=0.5)),
        ("coffee_bags", MARGIN),
    ],
)
def test_our_own_paragraphs_come_out_clean_read_as_anybodys(name, margin, monkeypatch):
    monkeypatch.setattr(check, "own_sentences", lambda result: frozenset())
    panels = ms.read_panels(f"datasets/{name}.csv")
    tastings = ms.read_tastings(f"datasets/{name.split('_')[0]}_tastings.csv")
    pooled = ms.pool(panels, margin=margin, tastings=None if margin is None else tastings)
    for result in (pooled, *(ms.one_panel(row, margin=margin) for row in panels)):
        answer = ms.check_claim(result.statement(), result)
        assert answer.ok, answer


LENGTHS = ("line", "paragraph", "methods")


@pytest.mark.parametrize("length", LENGTHS)
def test_our_own_statements_come_out_clean_at_every_length(length, results):
    odd = [("2-AFC", 24, 3), ("duo-trio", 30, 30), ("tetrad", 60, 60), ("triangle", 1, 0), ("two-out-of-five", 12, 9)]
    for result in (*results.values(), *(ms.one_panel(*counts) for counts in odd)):
        answer = ms.check_claim(result.statement(length=length), result)
        assert answer.ok, answer


def test_what_is_added_to_our_own_words_is_still_read(cider):
    for length in LENGTHS:
        assert "no-difference" in which(f"{cider.statement(length=length)} There isn't any difference.", cider)
    assert which(f"{cider.headline()} The average d-prime is 2.2.", cider)[0] == "number-not-the-result's"


def test_no_rule_of_wording_fires_on_any_result(results):
    panels = "datasets/coffee_bags.csv"
    tastings = ms.read_tastings("datasets/cider_tastings.csv")
    others = [
        ms.pool(ms.read_panels(panels).without("Week 12 staff"), moderators="weeks_stored"),
        ms.pool(ms.read_panels("datasets/bakery_salt.csv").without("Bakers' bench"), within="batch_pair"),
        ms.pool("datasets/cider_fining.csv", tastings=tastings).tasters(),
    ]
    kinds = {"liking": rules.PREFERENCE, "alone": rules.PANEL, "few": rules.PANEL}
    for name, result in [*results.items(), *((type(other).__name__, other) for other in others)]:
        kind = kinds.get(name, rules.POOL)
        for length in LENGTHS:
            for sentence in re.split(r"(?<=[.!?]) ", result.statement(length=length)):
                sentence = re.sub(r'"[^"]*"', "", sentence)
                fired = [r.id for r in rules.RULES if kind in r.results and rules.marked(r, sentence)]
                assert set(fired) <= {"named-direction"}, (name, fired, sentence)


@pytest.mark.parametrize("name", ["cider_fining", "coffee_bags"])
def test_our_own_words_on_preference_come_out_clean(name):
    liking = ms.pool(f"datasets/{name}.csv").preference()
    check = ms.check_claim(" ".join(liking.sentences()), liking)
    assert check.ok, check


# --- what is not read is said -----------------------------------------------------------------------------------------


def test_a_supported_claim_is_answered_with_what_was_checked(cider):
    check = ms.check_claim("From 177 tasters: the average d-prime is 0.95 (0.45 to 1.41).", cider)
    assert check.sentence() == "Nothing to object."
    assert any("d-prime" in text for text in check.checked) and any("people" in text for text in check.checked)
    assert "Checked:" in repr(check) and "Not checked:" in repr(check)


def test_what_cannot_be_read_is_said_and_not_waved_through(cider):
    check = ms.check_claim("The moon is made of green cheese.", cider)
    assert not check.ok and not check.findings and "nothing was checked" in check.sentence()
    check = ms.check_claim("From 177 tasters the average d-prime is 0.95 after 12 weeks at 8.5 degrees.", cider)
    assert any("12" in text for text in check.unread) and any("8.5" in text for text in check.unread)


def test_what_could_be_said_is_printed_once_where_objections_share_it(cider):
    check = ms.check_claim("There is no difference. They taste the same. 25 % of people can taste it.", cider)
    texts = [finding.instead for finding in check.findings]
    assert len(texts) > len(set(texts)) == 2
    shown = " ".join(repr(check).split())
    assert all(shown.count(" ".join(text.split())) == 1 for text in set(texts))
    assert shown.count("What can be said:") == 2


def test_a_probability_of_sameness_is_not_counted_as_checked(cider):
    check = ms.check_claim("There is a 92 % chance that the products are equal (177 tasters).", cider)
    assert [f.rule for f in check.findings] == ["chance-of-the-null"] and "probabilities" not in check.checked


def test_not_one_taster_is_no_count(alone):
    assert which("Not one taster noticed.", alone) == ["everyone"]


def test_what_is_not_understood_says_that_only_english_is_read(cider):
    for text in ("Niemand schmeckt das.", "Der neue Apfelwein schmeckt genau wie der alte."):
        check = ms.check_claim(text, cider)
        assert not check.ok and "only English is read" in repr(check)


def test_only_english_is_read(cider):
    check = ms.check_claim("La diff\u00e9rence entre les cidres est nette selon les neuf jurys r\u00e9unis.", cider)
    assert not check.ok and "English" in check.unread[0]


def test_quotation_marks_around_the_whole_claim_do_not_hide_it(cider):
    assert which('"There is no difference."', cider) == ["no-difference"]
    assert which("\u201cThere is no difference.\u201d", cider) == ["no-difference"]


@pytest.mark.parametrize("text", ["", "   ", None, 7])
def test_no_claim_is_refused(text, cider):
    with pytest.raises(ValueError, match="no claim"):
        ms.check_claim(text, cider)


def test_another_result_is_refused_by_name(cider):
    with pytest.raises(TypeError, match="a pool of any kind, one panel, a preference or tasters; got DataFrame"):
        ms.check_claim("It is so.", cider.to_frame())


# --- results of other kinds ---


@pytest.fixture(scope="module")
def others():
    coffee = ms.read_panels("datasets/coffee_bags.csv")
    people = [{"panel": "P", "protocol": "triangle", "taster": t, "correct": c}
              for t, right in {"K1": 6, "K2": 2, "K3": 2}.items() for c in [1] * right + [0] * (6 - right)]  # fmt: skip
    return {
        "moderated": ms.pool(coffee, margin=MARGIN, moderators="weeks_stored"),
        "nested": ms.pool("datasets/cider_fining.csv", margin=MARGIN, within="batch_pair"),
        "tasters": ms.pool(ms.read_tastings(people), margin=MARGIN).tasters(),
    }


@pytest.mark.parametrize("kind", ["moderated", "nested", "tasters"])
def test_what_a_result_of_any_kind_says_itself_is_not_objected_to(kind, others):
    result = others[kind]
    for text in (result.plain_answer(), *(result.statement(length=length) for length in ("line", "paragraph"))):
        assert which(text, result) == [], text
        assert not result.statement() or ms.check_claim(text, result).understood


@pytest.mark.parametrize("kind", ["moderated", "nested", "tasters"])
def test_wording_is_judged_against_a_result_of_any_kind(kind, others):
    assert which("There is no difference.", others[kind]) == ["no-difference"]
    assert "number-not-the-result's" in which("The d-prime is 2.75, from 9 of 11 correct.", others[kind])


def test_numbers_of_a_moderator_are_known_and_others_are_not(others):
    result = others["moderated"]
    row = result.to_frame().set_index("quantity").loc["average d-prime at weeks_stored = 12"]
    said = f"After 12 weeks in the bag the average d-prime is {row['median']:.2f}, over 177 tasters."
    assert which(said, result) == [] and "d-prime numbers" in " ".join(ms.check_claim(said, result).checked)
    assert "number-not-the-result's" in which(said.replace(f"{row['median']:.2f}", "1.99"), result)
    verdicts = set(result.verdicts()["verdict"])
    for label in ("beyond the margin", "within the margin"):
        assert (which(f"The difference is {label}.", result) == []) == (label in verdicts)


def test_counts_of_one_repeat_taster_are_known(others):
    assert which("K1 gave 6 of 6 correct answers, and there were 3 tasters.", others["tasters"]) == []
    assert which("K1 gave 5 of 6 correct answers, and there were 3 tasters.", others["tasters"]) == [
        "number-not-the-result's"
    ]


# --- what was not checked ---


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("The cider is sold at 4 degrees. The average d-prime was not known, with 204 tastings.", "The cider is sold"),
        ("Nine panels met because the cellar was cold.", 'the reason given ("because the cellar was cold'),
        ("Tasters did not know what was served in nine panels.", "who knew what was served"),
        ("The panel was blind, like all nine panels.", None),
        ("The nine panels met last spring.", 'the date "last spring"'),
        ("The next panel is double-blind, after nine panels.", "blinding"),
        ("The panel at the Quillhurst fair had 20 tasters.", "which panel is meant"),
        ("The nine panels were held before 11 June 2025.", 'the date "11 June 2025"'),
    ],
)
def test_what_a_sentence_says_and_was_not_checked_is_listed(text, words, cider):
    check = ms.check_claim(text, cider)
    said = "; ".join(check.unread)
    assert words is None or words in said
    if words is not None:
        assert f"Not checked: {check.unread[0][:20]}" in " ".join(check.in_short(cider.plain_answer()))


def test_blinding_and_dates_that_the_result_does_not_hold_are_not_checked():
    bare = ms.pool({"panel": list("AB"), "protocol": "triangle", "tastings": 30, "correct": [12, 14]})
    for text in ("Both panels were double-blind.", "The panels were held in March 2025."):
        check = ms.check_claim(text, bare)
        assert check.findings == () and ("blinding" in check.unread[0] or "date" in check.unread[0])


def test_repr_and_html_say_the_same_and_escape(cider):
    check = ms.check_claim('<b>25 % of people can taste it</b> & "so" \x1b[31m', cider)
    shown = unescape(re.sub(r"<[^>]+>", " ", check._repr_html_()))
    assert "<b>" not in check._repr_html_() and "\x1b" not in repr(check)
    for line in repr(check).splitlines():
        assert " ".join(line.split()) in " ".join(shown.split()) or "<b>" in line


def test_frame_lists_the_findings(cider):
    frame = ms.check_claim("It is significant; 25 % of people can taste it.", cider).to_frame()
    assert list(frame.columns) == ["rule", "said", "reason", "instead", "start"]
    assert frame["rule"].tolist() == ["significant-alone", "headcount"]


def test_a_long_or_odd_text_is_read_in_reasonable_time(cider):
    import time

    start = time.perf_counter()
    for text in (
        "no " * 5000,
        "1 of " * 3000,
        "((((" * 2000 + "p_d of 13 %",
        "a" * 20000,
        "% " * 5000 + "the margin",
        "\0\u202e9 of 9 panels",
    ):
        ms.check_claim(text, cider)
    assert time.perf_counter() - start < 20


# --- reading numbers --------------------------------------------------------------------------------------------------


def test_numbers_belong_to_what_is_named_beside_them():
    assert [(n.value, n.kind) for n in numbers("d-prime 0.95 (0.45 to 1.41), p_d 13 %, p = 0.03")] == [
        (0.95, "d-prime"),
        (0.45, "d-prime"),
        (1.41, "d-prime"),
        (0.13, "p_d"),
        (0.03, "p-value"),
    ]
    assert [(c.value, c.whole, c.noun) for c in counted("two of nine panels, 1,204 tastings")] == [
        (2, 9, "panels"),
        (1204, None, "tastings"),
    ]
    assert levels("95 % credible interval; an interval (90 %, exact)") == [0.95, 0.9]


# --- command line -----------------------------------------------------------------------------------------------------


def test_the_command_answers_with_its_exit_code(tmp_path, capsys):
    cider = "datasets/cider_fining.csv"
    assert main(["claim", "25 % of people can taste it.", cider, "--margin", "0.2 triangle"]) == 1
    assert "no number of people" in capsys.readouterr().out
    assert main(["claim", "The average d-prime is 0.95, from 177 tasters.", cider]) == 0
    assert "Nothing to object." in capsys.readouterr().out
    assert main(["claim", "The moon is made of green cheese.", cider]) == 2
    assert main(["claim", "9 of 24 answers were correct.", cider, "--panel", "Cellar door dry"]) == 0
    assert main(["claim", "It is so.", str(tmp_path / "absent.csv")]) == 2
    saved = ms.pool(cider, margin=MARGIN).save(tmp_path / "pool.nc")
    assert main(["claim", "The difference is beyond the margin.", str(saved)]) == 1
    assert "not settled" in capsys.readouterr().out


def sitters():
    rows = []
    for name, first, last in (("A", 0, 12), ("B", 9, 20)):  # 9, 10 and 11 sat in both
        rows += [{"panel": name, "protocol": "triangle", "taster": i, "correct": i % 2} for i in range(first, last)]
    return ms.read_tastings(rows)


def test_people_who_sat_in_several_panels_are_counted_too():
    facts = facts_of(ms.pool(sitters()))
    assert facts.people == 20
    assert facts.counts["people"] >= {20, 3}


def test_a_panel_that_says_how_many_people_came_lets_no_other_number_pass():
    row = {"panel": "A", "protocol": "triangle", "tastings": 30, "correct": 15, "tasters": 30}
    panel = ms.one_panel(ms.read_panels([row]))
    wrong = ms.check_claim("12 people took part, and 15 of 30 answers were correct.", panel)
    assert not wrong.ok
    assert "12 people" in {finding.said for finding in wrong.findings}
    right = ms.check_claim("30 people took part, and 15 of 30 answers were correct.", panel)
    assert not [finding for finding in right.findings if "people" in finding.said]


def test_guessing_accounts_for_the_share_of_correct_answers_that_abbott_leaves(cider):
    # p_c = g + (1 - g) p_d: of the correct, p_d were not luck and (1 - p_d) g were
    rate = cider.rate("triangle")
    p_d = rate.p_d.median
    lucky = (1 - p_d) / 3 / ((1 - p_d) / 3 + p_d)
    found = [fact.value for fact in facts_of(cider).numbers if "guessing accounts for" in fact.what]
    assert found == pytest.approx([lucky], abs=0.01)


@pytest.mark.parametrize(
    ("with_comma", "with_point"),
    [
        ("15 of 40 answers were correct, which is 37,5 %.", "15 of 40 answers were correct, which is 37.5 %."),
        ("57,5 % of the answers were correct.", "57.5 % of the answers were correct."),
        ("The d-prime is 0,62 (0,03 to 1,50).", "The d-prime is 0.62 (0.03 to 1.50)."),
        ("The p-value is 0,342.", "The p-value is 0.342."),
        ("p = 0,34 from 40 people.", "p = 0.34 from 40 people."),
        ("The average d-prime is 0,9 (99,5 % credible interval 0,1 to 2,1).",
         "The average d-prime is 0.9 (99.5 % credible interval 0.1 to 2.1)."),
    ],
)  # fmt: skip
def test_a_decimal_comma_is_read_as_a_point(with_comma, with_point):
    panel = ms.one_panel("triangle", 40, 15)
    one, other = (ms.check_claim(text, panel) for text in (with_comma, with_point))
    assert [(f.rule, f.reason, f.start) for f in one.findings] == [(f.rule, f.reason, f.start) for f in other.findings]
    assert one.unread == other.unread
    assert all(finding.said in with_comma for finding in one.findings)  # quoted as it was written


def test_a_comma_between_thousands_in_a_list_or_a_pair_is_no_decimal_comma():
    for text in ("1,200 answers", "1,234,567", "in 1,2,3 panels", "[36,49] %", "(36,49) %", "batch L37,5", "0.1,0.9"):
        assert with_points(text) == text


@pytest.mark.parametrize("share", ["(37.5 %)", "(37.5%)", "(38 %)", "(37,5 %)", "(= 37.5 %)"])
@pytest.mark.parametrize("between", ["", " answers", " answers were correct"])
def test_a_share_in_brackets_behind_two_counts_is_theirs_and_no_interval(share, between):
    panel = ms.one_panel("triangle", 24, 9)
    assert levels(with_points(f"9 of 24{between} {share}")) == []
    right = ms.check_claim(f"In a triangle test 9 of 24{between} {share}, by 24 people.", panel)
    assert right.ok and "shares of counts" in right.checked
    wrong = ms.check_claim(f"In a triangle test 9 of 24{between} (41 %), by 24 people.", panel)
    assert [(f.said, f.reason) for f in wrong.findings] == [("41 %", "That is not the share: 9 of 24 is 38 %.")]


def test_a_probability_in_brackets_behind_an_interval_stays_one():
    assert levels("9 of 24 answers, a p_d of 0.1 to 0.4 (90 %)") == [0.9]
    assert levels("The d-prime is 0.5 (0.1 to 0.9; 90 % credible interval), by 9 of 24 people") == [0.9]


# --- rates of a hundred answers, as the plain answer says them ---------------------------------------------------------


@pytest.fixture(scope="module")
def rennet():
    counts = {"tastings": [24, 20, 24, 22, 24], "correct": [6, 12, 14, 7, 12]}
    return ms.pool({"panel": list("ABCDE"), "protocol": "triangle"} | counts, margin="45 of 100 correct triangle")


def test_the_plain_answer_in_other_words_is_held_against_the_result(rennet):
    # 44 of 100 (36 to 55) where guessing gives 33 and the margin is 45: what the plain answer of these panels says
    assert "about 44 would be right (36 to 55)" in rennet.plain_answer()
    people = "In 5 panels with 114 tastings from 114 people: "
    for claim in (
        "44 of 100 triangle answers would be right; the margin is 45 of 100.",
        "Of 100 triangle answers about 44 would be right (36 to 55), where guessing gives 33 and the margin is 45.",
    ):
        checked = ms.check_claim(people + claim, rennet)
        assert checked.ok and any("p_c" in what for what in checked.checked)
    assert ms.check_claim("This is held against our margin of 45 of 100.", rennet).ok


@pytest.mark.parametrize(
    ("claim", "said"),
    [
        ("Of 100 triangle answers about 80 would be right (75 to 85).", ["80", "75", "85"]),
        ("60 of 100 triangle answers would be right.", ["60 of 100"]),
        ("Of 100 triangle answers about 44 would be right, where guessing gives 40.", ["40"]),
        ("Our margin of 48 of 100 stands.", ["48 of 100"]),
        ("44 of 100 answers were correct.", ["44 of 100 answers"]),  # nobody gave a hundred answers
    ],
)
def test_a_wrong_rate_of_a_hundred_is_objected_to(rennet, claim, said):
    found = [finding.said for finding in ms.check_claim(claim, rennet).findings if finding.said]
    assert found == said


def test_correct_answers_are_held_against_the_counts_wherever_their_whole_stands(rennet):
    ours = ms.check_claim("In 5 panels with 114 tastings 51 answers were correct.", rennet)
    assert ours.ok and "counts" in ours.checked
    other = ms.check_claim("In 5 panels with 114 tastings there were 58 correct answers.", rennet)
    assert [finding.said for finding in other.findings] == ["58 correct answers"]


def test_an_end_of_the_interval_is_no_average(rennet):
    assert 100 * rennet.rate("triangle").p_c.interval()[1] == pytest.approx(55, abs=0.5)
    claim = "On average {} % of triangle answers would be right in 5 panels with 114 tastings."
    (finding,) = ms.check_claim(claim.format(55), rennet).findings
    assert (finding.said, finding.reason) == ("55 %", "That is an end of the interval, not the estimate.")
    assert ms.check_claim(claim.format(44), rennet).ok
    assert ms.check_claim(claim.format("up to 55"), rennet).ok


def test_what_is_quoted_of_a_claim_ends_with_a_whole_word():
    pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [9, 11, 13]})
    claim = "About 18 % of our guests can taste the co-op's butter."
    for finding in ms.check_claim(claim, pooled).findings:
        at = claim.index(finding.said)
        assert not re.match(r"[\w'-]", claim[at + len(finding.said) :]), finding.said


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ([3], "The panel was held on 2025-06-03."),
        ([3, 3], "The panels were held on 2025-06-03."),
        ([9, 3], "The panels were held from 2025-06-03 to 2025-06-09."),
        ([3, None], "When the panels were held is not given."),
    ],
)
def test_when_panels_were_held_and_how_many_were_of_a_protocol_is_said_in_the_right_number(days, said):
    held = [Sitting(f"P{k}", "tetrad", 24, date=day and dt.date(2025, 6, day)) for k, day in enumerate(days)]
    found = circumstances.said_of(held)
    assert found["dates"] == said
    assert found["protocols"] == ("1 panel was a tetrad test." if len(days) == 1 else "2 panels were tetrad tests.")


def test_right_answers_of_people_who_tasted_again_are_not_so_many_people():
    table = {"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 12}
    repeats, alone = (ms.pool(table | {"tasters": people}) for people in (8, 24))
    for claim in ("12 of 24 tasters were correct.", "12 of 24 people picked the odd cup."):
        assert which(claim, repeats) == ["replicates-as-people"]
        assert which(claim, alone) == []
    assert which("12 of 24 answers were correct.", repeats) == []

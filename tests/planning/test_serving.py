"""Serving: every order equally often, codes that say nothing, sheets that fit their reader, and the way back.

The sets of each protocol are written out by hand; that all orders are to be served equally often is what ISO 4120
(triangle), ISO 10399 (duo-trio) and ISO 5495 (paired comparison) ask for (from memory). The rest is counted, or
compared byte by byte.
"""

import errno
import html
import os
import re
import shutil
import signal
import stat
import sys
from collections import Counter
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest, chi2_contingency

import metasense as ms
from metasense.planning.orders import Orders
from metasense.planning.planned import DIRECTED, HAZARDS, PLACEBO, PREFERENCE
from metasense.planning.served import read_answers
from metasense.planning.serving import ServingPlan, serve
from metasense.planning.texts import LANGUAGES, sheet_texts
from metasense.protocols import PROTOCOLS, Protocol
from metasense.results.pooling import pool
from metasense.showing.words import banned
from metasense.tables.panels import PanelsError, read_panels

NAMES = ("Quillhurst", "Zembrook")  # words that occur nowhere else on a sheet
SETS = {
    "triangle": "AAB ABA BAA ABB BAB BBA",
    "duo-trio": "AAB ABA BAB BBA",  # the reference first
    "2-AFC": "AB BA",
    "3-AFC": "ABB BAB BBA",  # A has more
    "tetrad": "AABB ABAB ABBA BAAB BABA BBAA",
    "specified tetrad": "AABB ABAB ABBA BAAB BABA BBAA",
    "two-out-of-five": "AABBB ABABB ABBAB ABBBA BAABB BABAB BABBA BBAAB BBABA BBBAA "
    "BBAAA BABAA BAABA BAAAB ABBAA ABABA ABAAB AABBA AABAB AAABB",
    "A-not-A": "A B",
    "same-different": "AA AB BA BB",
}
OPEN = ("run.html", "information.html", "trays.html", "ballots.html", "ballots_second.html")


def planned(name, tasters=24, **more):
    if name in DIRECTED:
        more = {"attribute": "saltiness", "more": NAMES[0], **more}
    return serve(name, tasters, samples=NAMES, allergens=[], hazards=[], **more)


def letters(plan):
    """Taster, trial and letters of every set, and the place of every code."""
    cups = plan.cups[(plan.cups["part"] == "tasting") & ((plan.cups["place"] > 0) | (plan.protocol.name == "duo-trio"))]
    cups = cups.assign(letter=cups["sample"].map(dict(zip(NAMES, "AB", strict=True))))
    return cups.groupby("tray").agg(taster=("taster", "first"), trial=("trial", "first"), set=("letter", "".join))


def spread(values, every):
    counts = Counter(values)
    return max(counts[v] for v in every) - min(counts[v] for v in every)


# --- orders ---


@pytest.mark.parametrize("name", PROTOCOLS)
def test_the_orders_are_those_written_out_by_hand(name):
    orders = Orders(name, PROTOCOLS[name].cups)
    assert sorted(orders.all) == sorted(SETS[name].split())
    assert all(orders.right(s) is not None for s in orders.all)


def test_the_right_answer_is_where_it_should_be():
    assert Orders("triangle", 3).right("ABA") == ((1,),)
    assert Orders("duo-trio", 3).right("BAB") == ((2,),)
    assert Orders("3-AFC", 3, aim="B").right("ABA") == ((1,),)
    assert Orders("3-AFC", 3, aim="A").right("ABA") is None
    assert Orders("tetrad", 4).right("ABBA") == ((0, 3), (1, 2))
    assert Orders("specified tetrad", 4, aim="B").right("ABBA") == ((1, 2),)
    assert Orders("two-out-of-five", 5).right("ABABA") == ((1, 3),)
    assert Orders("A-not-A", 1, aim="B").right("A") == "not A"
    assert Orders("same-different", 2).right("BB") == "same"
    assert Orders("triangle", 3).right("BBB") is None and Orders("tetrad", 4).right("ABBB") is None


@pytest.mark.parametrize("reference", NAMES)
def test_a_constant_reference_leaves_two_duo_trio_orders(reference):
    served = letters(planned("duo-trio", 11, reference=reference))["set"]
    assert {s[0] for s in served} == {"AB"[NAMES.index(reference)]}
    assert len(set(served)) == 2 and spread(served, set(served)) == 1


@pytest.mark.lab
@pytest.mark.parametrize("name", PROTOCOLS)
def test_orders_places_and_products_differ_by_one_at_most_for_every_number_of_tasters(name):
    every = SETS[name].split()
    orders = Orders(name, PROTOCOLS[name].cups)
    right = {s: frozenset(r) if isinstance(r := orders.right(s), tuple) else r for s in every}
    made = {s: s[0] if name == "duo-trio" else s.count("B") for s in every if name != "same-different"}
    for tasters in range(1, 46):
        served = letters(planned(name, tasters, seed=tasters))["set"].tolist()
        assert spread(served, every) <= 1
        assert spread(map(right.get, served), right.values()) <= 1
        if made:
            assert spread(map(made.get, served), made.values()) <= 1
        # places, products and orders cannot all be even at once when two sets are left over
        if name != "3-AFC":  # where one product stands twice as often
            assert spread((s[0] for s in served), "AB") <= 2


@pytest.mark.parametrize("name", PROTOCOLS)
def test_the_panel_is_balanced_whenever_it_stops_after_a_full_round_of_orders(name):
    every = SETS[name].split()
    served = letters(planned(name, 45, seed=2))["set"].tolist()
    assert all(spread(served[:n], every) == 0 for n in range(len(every), 46, len(every)))
    blocks = [served[n : n + len(every)] for n in range(0, 45 - len(every) + 1, len(every))]
    assert len({*map(tuple, blocks)}) > 1  # drawn anew each time


@pytest.mark.parametrize("name", ["triangle", "duo-trio", "tetrad", "2-AFC", "two-out-of-five"])
@pytest.mark.parametrize("tasters", [5, 12, 13])
def test_repeats_are_even_over_all_over_each_round_and_nobody_meets_an_order_again_too_soon(name, tasters):
    every, sets = SETS[name].split(), 3
    served = letters(planned(name, tasters, sets=sets, seed=tasters))
    assert spread(served["set"], every) <= 1
    assert all(spread(group, every) <= 1 for _, group in served.groupby("trial")["set"])
    again = served.groupby("taster")["set"].agg(lambda s: max(Counter(s).values()))
    assert again.max() <= -(-sets // len(every))


def test_pairs_for_preference_are_balanced_and_so_is_which_comes_first():
    plan = planned("triangle", 21, preference=True, placebo=True, seed=4)
    by_part = plan.cups[plan.cups["part"] != "tasting"].groupby(["part", "tray"])
    sides = by_part["sample"].agg("".join)
    for part, pairs in ((PREFERENCE, combinations(NAMES, 2)), (PLACEBO, None)):
        every = {a + b for p in pairs for a, b in (p, p[::-1])} if pairs else {n + n for n in NAMES}
        assert set(sides[part]) == every
        assert spread(sides[part], every) == 1
    assert sorted(Counter(by_part["trial"].first()[PLACEBO]).values()) == [10, 11]


# --- codes ---


def test_codes_are_three_digits_and_none_comes_twice():
    for seed in range(300):  # the same for 100 000 plans of all protocols, run once: none
        codes = planned("triangle", 1 + seed % 30, preference=seed % 2 == 0, seed=seed).cups["code"]
        assert codes.str.fullmatch(r"[1-9]\d\d").all()
        assert codes.is_unique


def test_a_session_serves_as_many_as_it_has_codes_and_says_so_beyond():
    plan = planned("triangle", 300)
    assert plan.cups["code"].nunique() == 900 == len(plan.cups)
    assert plan.capacity == 300
    with pytest.raises(
        ValueError, match=r"900 three-digit codes, enough for 300 tasters .* 301 tasters need 903\. Div"
    ):
        planned("triangle", 301)


def test_two_plans_of_one_session_share_no_code():
    first = planned("triangle", 40)
    second = planned("tetrad", 30, beside=[first])
    assert not set(first.cups["code"]) & set(second.cups["code"])
    with pytest.raises(ValueError, match="660 three-digit codes left, enough for 165 tasters"):
        planned("tetrad", 166, beside=[first, second])


def test_the_same_seed_gives_the_same_plan_and_no_seed_another():
    assert planned("tetrad", seed=5).cups.equals(planned("tetrad", seed=5).cups)
    first, second = planned("tetrad"), planned("tetrad")
    assert not first.cups.equals(second.cups)
    assert first.seed != second.seed


# --- the key cannot be had from the open sheets ---


def open_files(plan, folder):
    plan.save(folder)
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.mark.parametrize("name", PROTOCOLS)
def test_open_sheets_are_the_same_to_the_byte_whatever_is_in_the_cups(name, tmp_path):
    plan = planned(name, 13, preference=True, placebo=True, certainty=True)
    rng = np.random.default_rng(1)
    cups = plan.cups.assign(sample=rng.permutation(plan.cups["sample"]))
    pairs = cups["part"] != "tasting"
    cups.loc[pairs, "part"] = cups.loc[pairs, "part"].map({PREFERENCE: PLACEBO, PLACEBO: PREFERENCE})
    other = replace(plan, cups=cups, samples=NAMES[::-1], seed=123)
    mine, theirs = open_files(plan, tmp_path / "a"), open_files(other, tmp_path / "b")
    assert set(mine) == {*OPEN, "trays.csv", "answers.csv"}
    assert mine == theirs
    sealed = [(tmp_path / x / "sealed" / "key.csv").read_bytes() for x in "ab"]
    assert sealed[0] != sealed[1]


def test_open_sheets_name_no_product_no_seed_and_the_server_needs_neither(tmp_path):
    plan = planned("triangle", 24, preference=True, seed=987654321123)
    for name, content in open_files(plan, tmp_path / "plan").items():
        words = content.decode("utf-8")
        for secret in (*NAMES, "987654321123", hex(plan.seed)):
            assert secret not in words, name
        assert not re.search(r"generator|<script|https?:|seed|src=|href=", words), name


def test_codes_are_independent_of_what_they_stand_on():
    plans = [planned("triangle", 30, seed=seed).cups for seed in range(150)]
    cups = pd.concat(plans)
    for place in range(3):
        digit = cups["code"].str[place]
        assert chi2_contingency(pd.crosstab(digit, cups["sample"])).pvalue > 1e-3
    codes = cups["code"].to_numpy(int).reshape(-1, 3)
    new = (cups["sample"] == NAMES[1]).to_numpy().reshape(-1, 3)
    odd = np.where(new.sum(1) == 1, new.argmax(1), new.argmin(1))
    for guess in (codes.argmax(1), codes.argmin(1)):  # "the odd cup has the largest code"
        assert binomtest(int((guess == odd).sum()), len(odd), 1 / 3).pvalue > 1e-3


def test_showing_a_plan_shows_neither_codes_nor_what_they_hold():
    plan = planned("triangle", 24)
    for shown in (repr(plan), plan._repr_html_()):
        assert not set(re.findall(r"\b\d{3}\b", shown)) & set(plan.cups["code"])
        assert not any(name in shown for name in NAMES)
    assert repr(plan).split() == re.sub(r"<[^>]+>", " ", html.unescape(plan._repr_html_())).split()


def test_a_seed_that_can_be_guessed_is_warned_of_and_a_drawn_one_is_not():
    assert any("seed can be guessed" in w for w in planned("triangle", seed=1).warnings)
    assert planned("triangle").warnings == ()
    # 64 bits take centuries to try; a drawn seed has more
    assert any("seed can be guessed" in w for w in planned("triangle", seed=2**64 - 1).warnings)
    assert planned("triangle", seed=2**64).warnings == ()


# --- who gets which sheet ---


def test_the_filling_list_says_every_cup_once_and_the_tray_sheet_every_code():
    plan = planned("duo-trio", 9, preference=True)
    filling = plan.filling()
    assert filling["cups"].sum() == len(plan.cups)
    inside = dict(zip(plan.cups["code"], plan.cups["sample"], strict=True))
    assert all(inside[code] == sample for code, sample in zip(filling["code"], filling["sample"], strict=True))
    trays = plan.trays()
    on_trays = [code for code in trays.filter(regex="marked|place").to_numpy().ravel() if code]
    assert sorted(on_trays) == sorted(inside)
    assert trays["tray"].tolist() == list(range(1, 19))


def test_the_learned_sample_is_marked_a_on_every_tray():
    plan = planned("A-not-A", 8, reference=NAMES[1])
    marked = plan.cups[plan.cups["place"] == 0]
    assert (marked["code"] == "A").all() and (marked["sample"] == NAMES[1]).all() and len(marked) == 8
    assert plan.filling().query("code == 'A'")["cups"].tolist() == [8]


def test_every_taster_has_a_ballot_with_the_codes_of_the_tray_in_its_order():
    plan = planned("two-out-of-five", 7, certainty=True)
    ballots = plan.pages()["ballots.html"].split("<article>")[1:]
    assert len(ballots) == 7
    for ballot, row in zip(ballots, plan.trays().to_dict("records"), strict=True):
        assert re.findall(r'class="code">(\d+)<', ballot) == [row[f"place {i}"] for i in range(1, 6)]
        assert row["taster"] in ballot and "guess" in ballot and "How sure" in ballot


def test_the_second_ballot_allows_no_preference_and_is_a_sheet_of_its_own():
    pages = planned("triangle", 6, preference=True).pages()
    assert "no preference" in pages["ballots_second.html"] and "prefer" not in pages["ballots.html"]
    assert "ballots_second.html" not in planned("triangle", 6).pages()


def test_the_information_sheet_lists_the_allergens_of_both_samples_as_one():
    each = {NAMES[0]: ["sulphites", "fish"], NAMES[1]: ["Pea", "sulphites"]}
    swapped = {NAMES[0]: each[NAMES[1]], NAMES[1]: each[NAMES[0]]}
    pages = [
        serve("triangle", 6, samples=NAMES, allergens=a, hazards=["alcohol"]).pages()["information.html"]
        for a in (each, swapped)
    ]
    assert pages[0] == pages[1]
    assert "fish, Pea, sulphites" in pages[0]
    for word in ("legal drinking age", "drive", "pregnant", "medicine", "stop at any time", "Signature"):
        assert word in pages[0]
    assert "caffeine" not in pages[0]


def test_what_was_not_stated_is_left_to_fill_in_and_warned_of():
    plan = serve("triangle", 6)
    page = plan.pages()["information.html"]
    assert "contain or may contain:<span" in page and "before you decide:<span" in page
    assert not re.search("alcohol|caffeine|scald|additive", page)  # nobody named any
    assert [warning.split(" are not stated")[0] for warning in plan.warnings] == ["allergens", "hazards"]


def test_cautions_defer_to_local_codes_and_the_filler_takes_readings():
    pages = serve("triangle", 6, samples=NAMES, allergens=[], hazards=HAZARDS).pages()
    for word in ("Local codes", "licensed practice", "suffocate", "scald", "permitted"):
        assert word in pages["run.html"]
    for word in ("Temperature", "Amount in a cup", "Age", "masked"):
        assert word in pages["filling/filling.html"]
    for page in pages.values():
        assert not re.search(r"\d+ ?(g/l|mg|ppm|ml per)", page)  # no advice on amounts


def test_limits_of_a_session_are_warned_of():
    assert any("4 rounds a person" in w for w in planned("triangle", 6, sets=3, preference=True).warnings)
    assert any("count as tastings, not as people" in w for w in planned("triangle", 6, sets=2).warnings)
    assert "planned once. Allergens are not stated" in serve("triangle", 6).statement()
    alcohol = serve("triangle", 6, allergens=[], hazards=["alcohol"], preference=True)
    assert any("2 rounds with alcohol" in w for w in alcohol.warnings)
    assert serve("triangle", 6, allergens=[], hazards=["alcohol"]).warnings == ()


def test_a_panel_name_that_gives_a_product_away_is_warned_of():
    assert any("'Zembrook'" in w for w in planned("triangle", 6, panel="The zembrook trial").warnings)


@pytest.mark.parametrize("name", PROTOCOLS)
def test_sheets_are_self_contained_escaped_and_in_the_words_of_the_project(name):
    plan = planned(name, 6, panel="A <b>&</b> B", preference=True, certainty=True)
    for page in plan.pages().values():
        assert page.startswith("<!doctype html>") and "default-src 'none'" in page
        assert "<b>" not in page and "&lt;b&gt;" in page
        assert not re.search(r"<script|<img|<link|https?://|url\(|@import", page)
        assert banned(re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.S)) == []


# --- saving and reading back ---


@pytest.mark.parametrize("name", PROTOCOLS)
def test_a_plan_read_from_its_key_prints_the_same_sheets(name, tmp_path):
    plan = planned(name, 7, date="2026-11-25", sets=2, preference=True, placebo=True, certainty=True)
    again = ServingPlan.load(plan.save(tmp_path / "plan"))
    assert again.pages() == plan.pages()
    assert again.cups.equals(plan.cups)
    assert (again.seed, again.allergens, again.hazards) == (plan.seed, (), ())
    assert ServingPlan.load(tmp_path / "plan" / "sealed" / "key.csv").cups.equals(plan.cups)


def test_a_folder_with_a_plan_is_not_written_over(tmp_path):
    plan = planned("triangle", 6)
    plan.save(tmp_path / "plan")
    with pytest.raises(FileExistsError, match="already holds a plan"):
        planned("triangle", 6).save(tmp_path / "plan")
    assert ServingPlan.load(tmp_path / "plan").cups.equals(plan.cups)


def test_a_folder_that_holds_anything_is_left_alone_and_an_empty_one_is_filled(tmp_path):
    plan = planned("triangle", 6)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "notes.txt").write_text("mine")
    with pytest.raises(FileExistsError, match="the folder is not empty"):
        plan.save(tmp_path / "full")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(FileExistsError, match="a file of that name exists"):
        plan.save(tmp_path / "file")
    (tmp_path / "empty").mkdir()
    assert ServingPlan.load(plan.save(tmp_path / "empty")).cups.equals(plan.cups)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["empty", "file", "full"]
    assert [p.name for p in (tmp_path / "full").iterdir()] == ["notes.txt"]


def test_the_folder_worked_in_is_not_replaced_under_the_users_feet(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(FileExistsError, match="the folder you are working in"):
        planned("triangle", 6).save(".")


def test_a_plan_that_cannot_be_written_to_its_end_is_not_there_at_all(tmp_path, monkeypatch):
    real, opened = os.fsync, []

    def full(number):
        opened.append(number)
        if len(opened) == 6:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(number)

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match=r"cannot write '.*plan': the disk is full") as error:
        planned("triangle", 6).save(tmp_path / "plan")
    assert ".part" not in str(error.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="owners and modes of POSIX")
def test_key_and_filling_list_are_for_their_owner_only(tmp_path):
    folder = planned("triangle", 6).save(tmp_path / "plan")
    mode = {str(path.relative_to(folder)): stat.S_IMODE(path.stat().st_mode) for path in folder.rglob("*")}
    assert mode["sealed"] == mode["filling"] == 0o700
    assert mode["sealed/key.csv"] == mode["sealed/key.html"] == 0o600
    assert mode["trays.csv"] == mode["run.html"] == mode["answers.csv"] != 0o600


@pytest.mark.skipif(os.name != "posix", reason="locks of POSIX")
def test_what_a_killed_save_left_is_cleared_away_and_what_a_living_one_holds_is_not(tmp_path):
    import fcntl

    for name in ("dead", "alive"):
        left = tmp_path / f".plan.{'0a' if name == 'dead' else 'ff'}000000.part"
        left.mkdir()
        (left / "key.csv").write_text(name)
    alive = os.open(tmp_path / ".plan.ff000000.part", os.O_RDONLY)
    fcntl.flock(alive, fcntl.LOCK_EX)
    (tmp_path / ".plan.mine.part").write_text("not ours")
    planned("triangle", 6).save(tmp_path / "plan")
    os.close(alive)
    assert sorted(p.name for p in tmp_path.iterdir()) == [".plan.ff000000.part", ".plan.mine.part", "plan"]


@pytest.mark.parametrize(
    "name", ["Anna Berg", "anna@example.org", "+49 170 1234567", "O'Brien", "Berg, A.", "\u738b\u4f1f"]
)
def test_a_pseudonym_that_looks_like_a_person_is_warned_of(name):
    (warning,) = serve("triangle", ["T01", name, "b7"], allergens=[], hazards=[]).warnings
    assert warning.startswith(repr(name)) and "codes such as T01" in warning and not banned(warning)


def test_codes_and_numbers_are_no_names():
    codes = ["T01", "1", "0042", "b7", "AB", "left 3", "P-12", "taster 4", "K", "blue", "2026-11", "123456"]
    assert serve("triangle", codes, allergens=[], hazards=[]).warnings == ()


HAZARD_WORDS = {
    "alcohol": {"en": "alcohol", "de": "alkohol", "fr": "alcool", "es": "alcohol"},
    "caffeine": {"en": "caffeine", "de": "koffein", "fr": "caféine", "es": "cafeína"},
    "hot": {"en": "scald", "de": "verbrüh", "fr": "brûle", "es": "quema"},
    "additives": {"en": "additives", "de": "zusatzstoffe", "fr": "additifs", "es": "aditivos"},
    "gas": {"en": "suffocate", "de": "ersticken", "fr": "asphyxier", "es": "asfixiar"},
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_sheets_speak_of_the_hazards_that_were_named_and_of_no_others(language):
    for named in [None, [], *([hazard] for hazard in HAZARDS)]:
        pages = serve("triangle", 6, sets=2, allergens=[], hazards=named, language=language).pages()
        for hazard in HAZARDS:
            said = {name for name, page in pages.items() if HAZARD_WORDS[hazard][language] in page.lower()}
            told = {"run.html", "filling/filling.html"} if hazard in (named or ()) else set()
            assert said - {"information.html"} == told, (named, hazard)
            wanted = hazard in (named or ()) and hazard in ("alcohol", "caffeine", "hot")
            assert ("information.html" in said) == wanted, (named, hazard)
    fish = serve("triangle", 6, allergens=["fish"], hazards=[], language=language).pages()
    none = serve("triangle", 6, allergens=[], hazards=[], language=language).pages()
    allergens = re.compile("al+[eé]r[gt]", re.IGNORECASE)
    assert allergens.search(fish["run.html"]) and not allergens.search(none["run.html"])


# --- in the maker's language ---


@pytest.mark.lab
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", PROTOCOLS)
def test_every_sheet_is_written_in_its_language(name, language):
    plan = planned(name, 6, language=language, sets=2, preference=True, placebo=True, certainty=True)
    english = planned(name, 6, sets=2, preference=True, placebo=True, certainty=True).pages()
    for sheet, page in plan.pages().items():
        assert f'<html lang="{language}">' in page, sheet
        if language != "en":
            shared = visible(page) & visible(english[sheet])
            assert all(len(line.split()) < 4 for line in shared), (sheet, shared)


def visible(page):
    text = re.sub(r"<style>.*?</style>|<title>.*?</title>", "", page, flags=re.S)
    return {line.strip() for line in re.split(r"<[^>]+>|\n", text) if re.search("[a-z]", line)}


@pytest.mark.parametrize("language", LANGUAGES)
def test_words_that_a_ballot_shows_can_be_typed_as_they_stand(language):
    texts = sheet_texts(language)
    plan = planned("same-different", 8, language=language, preference=True, certainty=True)
    sheet = plan.answer_sheet().assign(answer=texts("choices.same"), certainty=texts("ballots.fairly_sure"))
    sheet["preferred_1"] = texts("ballots.no_preference")
    sheet.loc[0, "answer"] = texts("choices.different")
    read = read_answers(plan, sheet).frame
    assert read["answer"].tolist() == ["different", *["same"] * 7]
    assert set(read["certainty"]) == {"fairly sure"} and set(read["preference"]) == {"none"}
    run = plan.pages()["run.html"]
    assert ("or none where" in run) == (language == "en") and ("gleich" in run) == (language == "de")


def test_own_wording_stands_on_the_sheets_and_its_words_can_be_typed():
    own = {"ballots": {"rinse": "Sip <water>."}, "choices": {"same": "twins"}}
    plan = planned("same-different", 6, texts=own)
    assert "Sip &lt;water&gt;." in plan.pages()["ballots.html"] and "twins" in plan.pages()["ballots.html"]
    assert "type same where &#34;twins&#34; was ticked" in plan.pages()["run.html"]
    assert set(read_answers(plan, plan.answer_sheet().assign(answer="Twins")).frame["answer"]) == {"same"}


def test_a_key_keeps_the_language_and_one_from_before_languages_is_english(tmp_path):
    plan = planned("triangle", 6, language="fr")
    assert ServingPlan.load(plan.save(tmp_path / "plan")).pages() == plan.pages()
    assert ServingPlan.load(plan.key().drop(columns="language")).texts.language == "en"


def test_a_key_that_was_changed_is_refused_with_all_that_is_wrong():
    key = planned("triangle", 6).key()
    twice, renamed = key.copy(), key.copy()
    twice.loc[1, "code"] = twice.loc[0, "code"]
    twice.loc[5, "panel"] = "another"
    renamed.loc[2, "sample"] = "milk"
    with pytest.raises(PanelsError, match="there twice") as error:
        ServingPlan.load(twice)
    assert "differs from the first row" in str(error.value)
    with pytest.raises(PanelsError, match="'milk' is neither"):
        ServingPlan.load(renamed)
    with pytest.raises(PanelsError, match="no column 'sample'"):
        ServingPlan.load(key.drop(columns="sample"))


# --- what cannot be planned ---


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"protocol": "2-AFC"}, ["give it as a noun", "say which sample should have more"]),
        ({"attribute": "salt"}, ["names nothing to look for"]),
        ({"reference": "A"}, ["has no reference"]),
        ({"protocol": "duo-trio", "reference": "C"}, ["reference is one of the samples"]),
        ({"tasters": 0, "sets": 0, "panel": " "}, ["1 or more", "it is empty", "sets is how many"]),
        ({"tasters": ["Ann", "Ann"]}, ["a pseudonym of their own"]),
        ({"tasters": ["Ann", "ann ", "Bo"]}, ["a pseudonym of their own; empty or there twice: 'Ann' and 'ann'"]),
        ({"tasters": 2.5}, ["tasters is how many there are, a whole number", "got 2.5"]),
        ({"sets": 1.5}, ["sets is how many each taster gets, a whole number, 1 or more; got 1.5"]),
        ({"seed": "x"}, ["seed is a whole number from 0 on; got 'x'"]),
        ({"seed": -1}, ["seed is a whole number from 0 on; got -1"]),
        ({"samples": ("same", "Same")}, ["two different names"]),
        ({"hazards": ["fire"]}, ["not one of the hazards"]),
        ({"placebo": True}, ["say preference=True"]),
        ({"date": "yesterweek"}, ["date is a day"]),
        ({"protocol": "sniffing"}, ["no protocol called"]),
    ],
)
def test_what_cannot_be_planned_is_said_all_at_once(wrong, words):
    with pytest.raises(ValueError, match=re.escape(words[0])) as error:
        serve(**{"protocol": "triangle", "tasters": 6, **wrong})
    assert all(word in str(error.value) for word in words)


# --- the way back ---


def right_answers(plan):
    """The right answer to every row of the answer sheet, worked out from the key by hand."""
    inside = dict(zip(plan.cups["code"], plan.cups["sample"], strict=True))
    name, more = plan.protocol.name, plan.more
    for cups in plan.answer_sheet()["cups"].str.split():
        held = [inside[code] for code in cups]
        if name == "duo-trio":
            yield next(code for code, sample in zip(cups[1:], held[1:], strict=True) if sample == held[0])
        elif name == "A-not-A":
            yield "A" if held[0] == (plan.reference or NAMES[0]) else "not A"
        elif name == "same-different":
            yield "same" if held[0] == held[1] else "different"
        elif name in DIRECTED:
            yield "+".join(code for code, sample in zip(cups, held, strict=True) if sample == more)
        else:  # the rarer product; of a tetrad either pair will do
            rare = min(NAMES, key=held.count)
            yield "+".join(code for code, sample in zip(cups, held, strict=True) if sample == rare)


def wrong_answer(plan, cups, right):
    if right in ("A", "not A", "same", "different"):
        return {"A": "not A", "not A": "A", "same": "different", "different": "same"}[right]
    codes = cups.split()[plan.protocol.name == "duo-trio" :]
    picked = right.split("+")
    if len(picked) == 1:
        return next(code for code in codes if code != right)
    return f"{picked[0]} {next(code for code in codes if code not in picked)}"  # half right is wrong


def typed(plan, correct):
    sheet = plan.answer_sheet()
    rights = list(right_answers(plan))
    sheet["answer"] = [
        right if good else wrong_answer(plan, cups, right)
        for good, right, cups in zip(correct, rights, sheet["cups"], strict=True)
    ]
    return sheet


@pytest.mark.parametrize("name", PROTOCOLS)
def test_answers_typed_into_the_file_come_back_as_they_were_meant(name, tmp_path):
    plan = planned(name, 25, date="2026-11-25", sets=2)
    meant = np.random.default_rng(3).random(50) < 0.6
    folder = plan.save(tmp_path / "plan")
    blank = pd.read_csv(folder / "answers.csv", dtype=str)
    assert blank["answer"].isna().all() and "served" not in blank
    typed(plan, meant).to_csv(folder / "answers.csv", index=False)
    tastings = read_answers(folder, folder / "answers.csv", blind="double")
    assert tastings.frame["correct"].tolist() == meant.tolist()
    panels = tastings.to_panels()
    (panel,) = panels
    assert (panel.panel, panel.protocol, panel.tasters, panel.planned, panel.blind) == (
        "panel 1",
        name,
        25,
        50,
        "double",
    )
    if isinstance(plan.protocol, Protocol):
        assert (panel.tastings, panel.correct) == (50, meant.sum())
    else:
        assert panel.hits + panel.noise - panel.false_alarms == meant.sum()
    balance = plan.balance(tastings)
    frame = balance.to_frame()
    assert balance.even and (frame["planned"] == frame["served"]).all()
    assert frame[frame["what"] == "order"]["correct"].sum() == meant.sum()


def test_a_simulated_truth_comes_back_from_pooled_answer_sheets():
    rng, truth, parts = np.random.default_rng(11), 1.6, []
    for number, name in enumerate(("triangle", "tetrad", "duo-trio", "3-AFC", "two-out-of-five")):
        plan = planned(name, 60, panel=f"sitting {number}", seed=number)
        correct = PROTOCOLS[name].simulate(truth, 60, rng)
        parts.append(read_answers(plan, typed(plan, correct)).to_panels().frame)
        assert parts[-1]["correct"].item() == correct.sum()
    average = pool(pd.concat(parts, ignore_index=True)).average
    lower, upper = average.interval(0.95)
    assert lower < truth < upper
    assert upper - lower < 1.5


def test_excel_and_spreadsheet_habits_do_not_lose_a_code(tmp_path):
    plan = planned("two-out-of-five", 4, seed=1)
    sheet = typed(plan, [True] * 4)
    sheet["cups"] = sheet["cups"].str.replace(" ", "")  # a spreadsheet took 417,305 for one number
    sheet["answer"] = [answer.replace("+", mark) for answer, mark in zip(sheet["answer"], " ,+/", strict=True)]
    sheet.to_excel(tmp_path / "answers.xlsx", index=False)
    assert read_answers(plan, tmp_path / "answers.xlsx").frame["correct"].all()
    plain = planned("triangle", 4, seed=1)
    numbers = typed(plain, [True] * 4)
    numbers["answer"] = numbers["answer"].astype(float)
    assert read_answers(plain, numbers).frame["correct"].all()


def test_trays_given_to_others_and_cups_set_out_in_another_order_are_read_as_served():
    plan = planned("triangle", 12, seed=6)
    sheet = typed(plan, [True] * 12)
    sheet.loc[[0, 1], ["cups", "answer"]] = sheet.loc[[1, 0], ["cups", "answer"]].to_numpy()
    sheet.loc[4, "cups"] = " ".join(reversed(sheet.loc[4, "cups"].split()))
    tastings = read_answers(plan, sheet)
    assert tastings.frame["correct"].all()
    before = letters(plan)["set"].tolist()
    after = tastings.frame["order"].tolist()
    assert after[:2] == before[1::-1] and after[4] == before[4][::-1] and after[5:] == before[5:]
    assert "served other than planned, and read as served: T01, T02 and T05." in tastings.notes


def test_who_did_not_come_is_not_counted_and_the_balance_says_what_was_served():
    plan = planned("triangle", 12, seed=6)
    sheet = typed(plan, [True] * 12)
    first = letters(plan)["set"].eq("AAB").to_numpy()  # both trays of one order
    sheet.loc[first, ["answer", "incident"]] = ["", "absent"]
    sheet.loc[np.flatnonzero(~first)[0], ["answer", "incident"]] = ["", "felt unwell"]
    tastings = read_answers(plan, sheet)
    balance = plan.balance(tastings)
    orders = balance.to_frame().query("what == 'order'").set_index("value")
    assert orders.loc["AAB", "served"] == 0 and orders["served"].sum() == 10 and not balance.even
    assert "Served: 10 of 12 sets, each order 0 to 2 times." in balance.sentence() and "less even" in repr(balance)
    assert tastings.frame["correct"].isna().sum() == 1 and "felt unwell" in str(tastings.frame["notes"].iloc[0])
    assert any(note.startswith("not served, and so not counted: T") for note in tastings.notes)
    (panel,) = tastings.to_panels()
    assert (panel.tastings, panel.refused) == (9, 1)


def test_a_cup_filled_with_the_wrong_product_changes_the_set_or_spoils_it():
    plan = planned("2-AFC", 2, seed=1)
    sheet = typed(plan, [True, True])
    first, second = sheet["cups"].str.split()
    inside = dict(zip(plan.cups["code"], plan.cups["sample"], strict=True))
    both = {first[0]: inside[first[1]], first[1]: inside[first[0]]}
    assert read_answers(plan, sheet, filled=both).frame["correct"].tolist() == [False, True]
    one = {int(second[0]): inside[second[1]]}
    tastings = read_answers(plan, sheet, filled=one)
    assert len(tastings) == 1 and any("no 2-AFC: T02" in note for note in tastings.notes)
    with pytest.raises(PanelsError, match="needs a code of this key"):
        read_answers(plan, sheet, filled={99: NAMES[0]})


def test_everything_that_cannot_be_right_is_said_at_once_with_its_row():
    plan = planned("triangle", 8, seed=2)
    sheet = typed(plan, [True] * 8)
    sheet.loc[0, "answer"] = "99"
    sheet.loc[1, "cups"] = "001 002 003"
    sheet.loc[2, "cups"] = " ".join(sheet.loc[2, "cups"].split()[:2])
    sheet.loc[4, ["cups", "answer"]] = sheet.loc[3, ["cups", "answer"]].to_numpy()
    sheet.loc[5, "incident"] = "absent"
    sheet.loc[6, "panel"] = "elsewhere"
    sheet.loc[7, "protocol"] = "tetrad"
    with pytest.raises(PanelsError) as error:
        read_answers(plan, sheet)
    said = str(error.value)
    for words in ("'99' is not one of the codes on the tray", "001, 002 and 003 is no code", "3 different codes",
                  "was served to somebody above", "though the incident is 'absent'", "the key is that of 'panel 1'",
                  "the key is that of a triangle"):  # fmt: skip
        assert words in said, words
    assert len(error.value.problems) == 7


def test_an_answer_in_words_that_is_neither_is_refused():
    plan = planned("same-different", 4)
    sheet = typed(plan, [True] * 4)
    sheet.loc[0, "answer"] = "perhaps"
    with pytest.raises(PanelsError, match="'perhaps' is not same or different"):
        read_answers(plan, sheet)


def test_answers_joined_with_another_plan_s_key_are_refused():
    mine, other = planned("triangle", 24, seed=1), planned("triangle", 24, seed=2)
    with pytest.raises(PanelsError):
        read_answers(other, typed(mine, [True] * 24))


def test_preferences_come_back_as_new_old_or_none_and_the_placebo_apart():
    plan = planned("triangle", 12, preference=True, placebo=True, seed=9)
    sheet = typed(plan, [True] * 6 + [False] * 6)
    inside = dict(zip(plan.cups["code"], plan.cups["sample"], strict=True))
    for i in range(12):
        for number in (1, 2):
            a, b = sheet.loc[i, f"pair_{number}"].split()
            if inside[a] == inside[b]:
                sheet.loc[i, f"preferred_{number}"] = a if i < 9 else "none"
            else:
                new = a if inside[a] == NAMES[1] else b
                sheet.loc[i, f"preferred_{number}"] = [new, b if new == a else a, "no preference"][i % 3]
    tastings = read_answers(plan, sheet)
    (panel,) = tastings.to_panels()
    assert (panel.prefer_new, panel.prefer_old, panel.no_preference, panel.asked) == (4, 4, 4, "pair")
    assert Counter(tastings.frame["placebo"]) == {"stated": 9, "none": 3}
    assert (panel.placebo_stated, panel.placebo_none) == (9, 3)
    assert not any("moderator" in note or "read off" in note for note in tastings.to_panels().notes)
    found = pool(tastings).preference()
    assert found.correct == () and found.panels_frame()["asked"].tolist() == ["pair"]
    assert "Among everyone asked on a separate blind pair, 4 of 8" in repr(found.details())
    assert "Between two identical samples 9 of 12 stated a preference" in repr(found.details())
    assert "Next time" not in repr(found.details()) and "luck" not in repr(found.details())
    sheet.loc[0, "preferred_1"] = "111" if "111" not in sheet.loc[0, "pair_1"] else "112"
    with pytest.raises(PanelsError, match="Check the ballot"):
        read_answers(plan, sheet)


# --- on paper ---


@pytest.mark.lab
def test_sheets_print_on_the_pages_they_should(tmp_path):
    playwright = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not chromium:
        pytest.skip("no Chromium on this machine")
    plan = planned("triangle", 24, panel="First sitting", date="2026-11-25", certainty=True)
    folder = plan.save(tmp_path / "plan")
    pages = {}
    with playwright.sync_playwright() as playing:
        browser = playing.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        for name in ("information", "trays", "ballots", "filling/filling", "sealed/key"):
            page.goto((folder / f"{name}.html").as_uri())
            printed = page.pdf(prefer_css_page_size=True)
            pages[name] = len(re.findall(rb"/Type\s*/Page\b", printed))
        browser.close()
    assert pages == {"information": 1, "trays": 1, "ballots": 12, "filling/filling": 2, "sealed/key": 1}


def test_the_run_sheet_says_what_to_decide_first_and_what_to_type_and_names_no_sample():
    hard = serve("triangle", 6, samples=("isinglass", "protein"), sets=2, preference=True, hazards=["alcohol"], seed=1)
    page = hard.pages()["run.html"]
    assert "3 rounds with alcohol a person" in page and "type the code ticked, or none" in page
    assert "last and face down" in page and "come back to fill" in page
    assert "isinglass" not in page and "protein" not in page and "seed" not in page
    plain_ = serve("triangle", 6, allergens=[], hazards=[], seed=1).pages()["run.html"]
    assert not any(words in plain_ for words in ("Decide first", "Under preferred", "come back to fill"))


def test_a_set_without_answer_is_served_and_not_answered():
    plan = serve("triangle", 6, seed=1)
    sheet = plan.answer_sheet()
    sheet["answer"] = ["", *(cups.split()[0] for cups in sheet["cups"][1:])]
    orders = plan.balance(read_answers(plan, sheet)).to_frame().query("what == 'order'")
    assert orders["served"].sum() == 6 and orders["answered"].sum() == 5
    assert (orders["correct"] <= orders["answered"]).all()


def test_a_day_that_could_be_two_is_refused():
    with pytest.raises(ValueError, match="could be"):
        serve("triangle", 6, date="02.04.2026", seed=1)
    assert serve("triangle", 6, date="25.11.2026", seed=1).date == "2026-11-25"


@pytest.mark.parametrize("seed", [1, 2**16, 20250301, 2**64 - 1])
def test_a_seed_that_someone_could_try_out_is_warned_of(seed):
    plan = serve("triangle", 12, panel="P1", samples=("old", "new"), seed=seed)
    assert any("this seed can be guessed" in warning for warning in plan.warnings)


def test_a_seed_drawn_for_the_plan_is_not():
    plan = serve("triangle", 12, panel="P1", samples=("old", "new"))
    assert not any("seed" in warning for warning in plan.warnings)


def writes(event, arguments, folder):
    """Whether an audited event changes something in the folder."""
    if event == "open":
        path, _, flags = arguments
        wanted = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        return bool(wanted) and isinstance(path, str) and path.startswith(folder)
    if event in ("os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.link"):
        return str(os.fspath(arguments[0])).startswith(folder)
    return False


def saved_and_killed(plan, folder, step):
    """Save the plan in a process that is killed before its so-manieth change on the disk; whether it came to its end."""
    child = os.fork()
    if not child:
        done = 0

        def watch(event, arguments):
            nonlocal done
            if writes(event, arguments, str(folder.parent)):
                done += 1
                if done == step:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(watch)
        try:
            plan.save(folder)
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


@pytest.mark.lab
@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the writers")
def test_a_plan_whose_saving_is_killed_is_there_whole_with_its_key_or_not_at_all(tmp_path):
    plan = serve("triangle", 6, panel="P1", samples=("old", "new"), allergens=[], hazards=[])
    whole = sorted(str(path.relative_to(tmp_path / "whole")) for path in plan.save(tmp_path / "whole").rglob("*"))
    step = 1
    ended = False
    while not ended:
        folder = tmp_path / f"try{step}" / "plan"
        folder.parent.mkdir()
        ended = saved_and_killed(plan, folder, step)
        if folder.exists() and any(folder.iterdir()):
            there = sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))
            assert there == whole, f"killed before change {step}: {there}"
            assert ServingPlan.load(folder).cups.equals(plan.cups)
        step += 1
    assert step > 10  # it was killed at many places


def test_a_folder_with_a_part_of_a_plan_is_not_written_over(tmp_path):
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / "trays.csv").write_text("of another plan")
    with pytest.raises(FileExistsError):
        serve("triangle", 6, allergens=[], hazards=[]).save(tmp_path / "plan")
    assert (tmp_path / "plan" / "trays.csv").read_text() == "of another plan"


def test_the_older_name_of_loading_a_plan_still_works_and_is_not_offered(tmp_path):
    plan = planned("triangle", 6)
    assert ServingPlan.read(plan.save(tmp_path / "plan")).cups.equals(plan.cups)
    assert "load" in dir(plan) and "read" not in dir(plan)


def test_none_alone_is_no_allergen_and_no_hazard_and_none_beside_others_is_refused():
    plan = serve("triangle", 6, samples=("old", "new"), allergens=["None"], hazards=["none"], seed=1)
    assert plan.allergens == () and plan.hazards == ()
    for given in ({"allergens": ["none", "sulphites"], "hazards": []}, {"allergens": [], "hazards": ["none", "hot"]}):
        with pytest.raises(ValueError, match="says none and others"):
            serve("triangle", 6, samples=("old", "new"), seed=1, **given)


@pytest.mark.parametrize("name", ["sealed/key.csv", "answers.csv"])
def test_no_table_takes_the_place_of_a_key_or_a_sheet_of_answers_even_when_that_is_asked(name, tmp_path):
    folder = planned("triangle", 6).save(tmp_path / "plan")
    before = (folder / name).read_bytes()
    counts = read_panels("panel,protocol,tastings,correct\nA,triangle,24,12\n")
    with pytest.raises(FileExistsError, match="not a table of counts"):
        counts.to_csv(folder / name, overwrite=True)
    assert (folder / name).read_bytes() == before


def test_a_saved_plan_names_the_calls_that_follow_and_is_a_path_like_any_other(tmp_path):
    folder = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1).save(tmp_path / "panel_1")
    said = html.unescape(folder._repr_html_())
    place = (tmp_path / "panel_1").as_posix()
    assert f'ms.record("{place}")' in said and f'ms.read_answers("{place}")' in said
    assert folder == tmp_path / "panel_1" and repr(folder) == repr(tmp_path / "panel_1")
    assert (folder / "run.html")._repr_html_() is None and (folder / "run.html").exists()
    assert 'ms.record("a_new_folder")' in repr(ms.serve("triangle", 3, seed=1))


@pytest.mark.parametrize(("name", "words"), [("A-not-A", ["A", "not A"]), ("same-different", ["same", "different"])])
def test_on_every_ballot_the_words_to_tick_stand_in_one_order_the_known_one_first(name, words):
    page = planned(name, 4).pages()["ballots.html"]
    found = re.findall(r">\s*(not A|A|same|different)\s*<", page)
    assert found == words * 4


@pytest.mark.parametrize("asked", [True, False])
def test_what_to_type_for_a_certainty_is_said_where_it_is_asked_for_in_other_words(asked):
    said = [planned("triangle", 6, language=one, certainty=asked).pages()["run.html"] for one in ("de", "en")]
    assert ["fairly sure" in run for run in said] == [asked, False]

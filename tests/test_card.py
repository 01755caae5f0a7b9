"""The question card: written, read back, found edited, and held against a pool."""

import datetime
import hashlib
import json
import os
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import metasense as ms
from metasense.card import Card
from metasense.showing.words import VERDICTS, banned, verdict_sentences

MARGIN = ms.Margin(p_d=0.2, protocol="triangle")
TABLE = {
    "panel": ["A", "B", "C"],
    "protocol": "triangle",
    "tastings": 30,
    "correct": [11, 13, 12],
    "date": ["2025-03-08", "2025-03-15", "2025-03-22"],
    "weeks": [2, 4, 6],
}


def make(**changes):
    said = {
        "question": 'Can "pea" protein replace isinglass unnoticed?',
        "decision": "Change the fining if within the margin; else keep it.",
        "margin": MARGIN,
        "protocols": "triangle",
        "tastings": 30,
        "panels": 3,
        "exclusions": "tasters with a cold",
        "moderators": ["weeks"],
        "date": "2025-03-01",
    }
    return Card(**(said | changes))


def departures(card, table=TABLE, *, margin=MARGIN, priors=None, moderators=(), keep=lambda panels: panels):
    panels = keep(ms.read_panels(table))
    return card.departures(panels, margin=margin, priors=priors or ms.Priors()) + card.unnamed(moderators)


def test_card_reads_back_as_it_was_written(tmp_path):
    card = make()
    path = card.save(tmp_path / "card.toml")
    again = Card.load(path)
    assert again == card
    assert again.sha256 == card.sha256
    assert not again.edited
    assert repr(again) == repr(card)


text = st.text(st.characters(exclude_categories=("Cs",)), max_size=30)


@settings(max_examples=40, deadline=None)
@given(question=text.filter(str.strip), stopping=text.filter(str.strip), moderators=st.lists(text, max_size=3))
def test_any_text_comes_back(tmp_path_factory, question, stopping, moderators):
    card = make(question=question, stopping=stopping, tastings=None, panels=None, moderators=moderators)
    assert Card.load(card.save(tmp_path_factory.mktemp("card") / "card.toml")) == card


def test_file_is_toml_that_a_person_can_read(tmp_path):
    lines = make().save(tmp_path / "card.toml").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# Question card")
    assert 'margin = "0.2 triangle"' in lines
    assert any(line.startswith('margin_in_words = "a triangle p_d of 20 % (47 % of answers correct') for line in lines)
    content = tomllib.loads("\n".join(lines))
    assert content["date"] == datetime.date(2025, 3, 1)
    assert content["sentences"] == verdict_sentences(MARGIN.sentence(), 0.95)  # the three, before the data
    assert tuple(content["sentences"]) == VERDICTS


def test_seal_is_a_hash_that_anyone_can_work_out(tmp_path):
    content = tomllib.loads(make().save(tmp_path / "card.toml").read_text(encoding="utf-8"))
    seal = content.pop("seal")["sha256"]
    content["date"] = content["date"].isoformat()
    plain = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    assert hashlib.sha256(plain.encode()).hexdigest() == seal


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("0.2 triangle", "0.3 triangle"),
        ("tastings = 30", "tastings = 24"),
        ("2025-03-01", "2025-02-01"),
        ("with a cold", "with a cold, and panel B"),
        ("A smaller difference may well be there.", "So they are alike."),
        ("looks = 1", "looks = 1\nadded = true"),
        ("[seal]", "[another]"),
        ("[seal]", '[seal]\napproved = "by all"'),
        ("p_d of 20 % (47 %", "p_d of 30 % (53 %"),
        ("tastings = 30", "tastings = 30 # or 24"),
        ("# The seal guards", "# Agreed by all. The seal guards"),
    ],
)
def test_an_edited_card_says_so(tmp_path, old, new):
    path = make().save(tmp_path / "card.toml")
    before = path.read_text(encoding="utf-8")
    assert before.count(old) >= 1
    path.write_text(before.replace(old, new, 1), encoding="utf-8")
    card = Card.load(path)
    assert card.edited
    assert "changed after it was written" in repr(card)
    assert "changed after it was written" in card.summary()
    assert "the card itself was changed after it was written" in departures(card)[0]


def test_layout_and_order_do_not_count_as_edits(tmp_path):
    path = make().save(tmp_path / "card.toml")
    head, rest = path.read_text(encoding="utf-8").split("\n[priors]")
    lines = [line for line in head.splitlines() if not line.startswith("#")]
    shuffled = "\r\n".join([*reversed(lines), *f"[priors]{rest}".splitlines()])
    path.write_bytes(b"\xef\xbb\xbf" + shuffled.encode())
    assert not Card.load(path).edited


def test_a_number_sign_inside_a_text_is_no_remark(tmp_path):
    card = make(question="Is no. # 3 like # 4?", decision='Keep "#1"; else \\ # 2.')
    assert not Card.load(card.save(tmp_path / "card.toml")).edited


def test_a_margin_in_words_as_a_remark_is_taken_if_it_is_the_margins():
    text = make().to_text()
    sentence = MARGIN.sentence()
    assert not Card.from_text(text.replace("[priors]", f"# {sentence}\n[priors]")).edited
    assert Card.from_text(text.replace("[priors]", f"# {sentence.replace('20 %', '30 %')}\n[priors]")).edited


@pytest.mark.parametrize(("old", "new"), [("tastings = 30", "tastings = 24"), ("looks = 1", "looks = 1 # or 2")])
def test_an_edited_card_is_not_sealed_by_writing_it_anew(tmp_path, old, new):
    edited = Card.from_text(make().to_text().replace(old, new))
    again = Card.load(edited.save(tmp_path / "again.toml"))
    assert edited.edited and again.edited and edited.sha256 not in again.to_text()
    third = Card.load(again.save(tmp_path / "third.toml"))
    assert third.edited and "changed after it was written" in repr(third)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
def test_a_card_is_not_written_into_a_pipe_and_does_not_wait_for_one(tmp_path):
    os.mkfifo(tmp_path / "card.toml")
    with pytest.raises(FileExistsError, match="a device or a pipe"):
        make().save(tmp_path / "card.toml")


def test_a_card_is_never_replaced_by_another(tmp_path):
    path = make().save(tmp_path / "card.toml")
    before = path.read_bytes()
    assert make().save(path) == path  # the same card again is no change
    with pytest.raises(FileExistsError, match="not rewritten: write the new one beside it"):
        make(tastings=24).save(path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_card_is_refused_by_name(tmp_path):
    path = tmp_path / "other.toml"
    for content, reason in (("a = [", "cannot be read"), ("a = 1", "has no date, decision, margin"), ("\xff", "")):
        path.write_text(content, encoding="latin-1")
        with pytest.raises(ValueError, match=rf"'.*other\.toml' .*{reason}"):
            Card.load(path)
    path.write_text(make().to_text().replace('"0.2 triangle"', "0.2"), encoding="utf-8")
    with pytest.raises(ValueError, match=r"other\.toml' is not a question card"):
        Card.load(path)


def test_everything_wrong_is_said_at_once():
    with pytest.raises(ValueError, match="question card cannot be") as error:
        make(question=" ", margin=0.2, protocols="quadrangle", date="soon", tastings=None, looks=0)
    said = str(error.value)
    for part in ("question", "margin is a Margin", "quadrangle", "got 'soon'", "stopping rule", "looks"):
        assert part in said


@pytest.mark.parametrize(
    ("said", "remedy"),
    [
        ({"looks": None}, "looks is a whole number from 1; got None"),
        ({"tastings": 0}, "tastings is a whole number from 1; got 0"),
        ({"panels": 2.0}, r"panels is a whole number from 1; got 2\.0"),
        ({"panels": "2"}, "panels is a whole number from 1, without quotation marks: 2"),
        ({"moderators": ["weeks", 3]}, "moderators are names of columns; got"),
    ],
)
def test_numbers_are_whole_and_moderators_are_names(said, remedy):
    with pytest.raises(ValueError, match=remedy):
        make(**said)
    assert make(panels=None).panels is None


def test_the_date_is_given_and_never_taken():
    with pytest.raises(TypeError, match="date"):
        Card(question="Q?", decision="D", margin=MARGIN, protocols="triangle", tastings=30)
    assert make(date=datetime.datetime(2025, 3, 1, 20, 15)).date == datetime.date(2025, 3, 1)


def test_a_pool_that_keeps_to_its_card_departs_nowhere():
    assert departures(make()) == ()
    assert departures(make(tastings=None, panels=None, stopping="after 15 March, whatever the counts")) == ()


@pytest.mark.parametrize(
    ("changes", "asked", "said"),
    [
        ({}, {"margin": None}, "names a margin of 0.2 triangle; none was used"),
        ({}, {"margin": ms.Margin(d_prime=0.5)}, "the margin used is d'=0.5"),
        ({}, {"priors": ms.Priors(centre_scale=1)}, "other priors"),
        (
            {},
            {"table": TABLE | {"protocol": ["triangle", "tetrad", "triangle"]}},
            "names triangle; served otherwise: B (tetrad)",
        ),
        ({}, {"table": TABLE | {"tastings": [30, 30, 36]}}, "plans 30 tastings a panel; of another size: C (36)"),
        ({"panels": 4}, {}, "plans 4 panels; 3 are pooled"),
        (
            {},
            {"table": TABLE | {"looks": [1, 3, 1]}},
            "allows 1 look at a panel's count; looked at more often: B (3 looks)",
        ),
        (
            {"panels": 2},
            {"keep": lambda p: p.without("B")},
            "left out B: set aside by name. Exclusions on the card: tas",
        ),
        ({"moderators": ()}, {"moderators": ["weeks"]}, "moderators not named on it: weeks"),
        ({"moderators": ["weeks", "dose"]}, {}, "named on it that the table does not have: dose"),
        ({"date": "2025-03-10"}, {}, "dated 2025-03-10; tasted before that: A."),
        ({}, {"table": TABLE | {"date": ["2025-03-08", None, "2025-03-22"]}}, "cannot be seen whether"),
        ({"sentences": {"not settled": "Who knows."}}, {}, "not worded as those printed now"),
    ],
)
def test_each_departure_is_named(changes, asked, said):
    found = departures(make(**changes), **asked)
    assert len(found) == 1
    assert said in found[0]
    assert found[0].startswith("Departs from the question card: ")
    assert not banned(found[0])


def test_pool_takes_the_card_its_margin_and_reports_departures(tmp_path):
    path = make(tastings=24).save(tmp_path / "card.toml")
    pooled = ms.pool(TABLE, card=path)
    assert pooled.margin == MARGIN
    assert pooled.card == Card.load(path)
    (departure,) = pooled.departures
    assert "plans 24 tastings a panel; of another size: A (30), B (30) and C (30)" in departure
    assert departure in pooled.notes
    assert departure in repr(pooled.details())
    assert departure in " ".join(repr(pooled).split())
    page = pooled.report(tmp_path / "page.html").read_text(encoding="utf-8")
    assert "plans 24 tastings a panel" in page
    assert pooled.card.sha256 in page
    assert ms.pool(TABLE, card=make()).departures == ms.pool(TABLE).departures == ()


def test_card_shows_itself_alike_in_text_and_page():
    card = make()
    page = card._repr_html_()
    for part in ("tasters with a cold", card.sha256, "0.2 triangle", "Not settled: given these panels"):
        assert part in repr(card)
        assert part in page
    assert card.to_frame().set_index("item").loc["tastings", "says"] == "30"


def test_a_scale_that_is_a_whole_number_is_the_same_card_however_it_was_typed():
    whole, point = (make(priors=ms.Priors(centre_scale=scale)) for scale in (1, 1.0))
    assert whole.sha256 == point.sha256


def test_a_pool_takes_the_cards_priors_and_margin():
    card = make(priors=ms.Priors(centre_scale=1.0))
    pooled = ms.pool(TABLE, card=card)
    assert pooled.priors == card.priors and pooled.margin == card.margin
    assert not [text for text in pooled.departures if "priors" in text or "moderators not named" in text]


def test_only_moderators_that_are_used_depart_from_the_card():
    card = make(moderators=())
    assert not any("moderators not named" in note for note in ms.pool(TABLE, card=card).notes)
    used = ms.pool(TABLE, card=card, moderators="weeks")
    assert any("moderators not named on it: weeks" in note for note in used.notes)


@pytest.mark.parametrize(
    ("card", "says"), [(3, "a question card is a Card"), ("no such card.toml", "no question card")]
)
def test_what_is_no_card_is_refused_in_words(card, says):
    with pytest.raises(ValueError, match=says):
        ms.pool(TABLE, card=card)


CARD = Card(
    question="Can pea protein replace isinglass unnoticed?",
    decision="Change the fining if within the margin; else keep it.",
    margin=ms.Margin(p_d=0.2, protocol="triangle"),
    protocols="triangle",
    tastings=30,
    panels=2,
    exclusions="tasters with a cold",
    date="2025-03-01",
)


def departures_of(**columns):
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [11, 13]} | columns
    return " ".join(ms.pool(table, card=CARD).departures)


def test_a_panel_of_the_day_of_the_card_came_after_it_and_one_of_the_day_before_did_not():
    assert "tasted before that" not in departures_of(date=["2025-03-01", "2025-03-02"])
    assert "tasted before that: A" in departures_of(date=["2025-02-28", "2025-03-01"])


def test_one_look_more_than_the_card_allows_is_said():
    assert "looked at more often" not in departures_of(looks=[1, 1])
    said = departures_of(looks=[1, 2])
    assert "looked at more often: B (2 looks)" in said


def test_older_names_of_saving_and_loading_still_work_and_are_not_offered(tmp_path):
    card = make()
    assert Card.read(card.write(tmp_path / "card.toml")) == card
    assert {"save", "load"} <= set(dir(card))
    assert not {"read", "write"} & set(dir(card))


def test_a_panel_of_the_planned_size_is_none_of_another_size_where_somebody_was_absent():
    card = make()
    size = card.tastings
    table = {"panel": ["absent", "larger"], "protocol": "triangle", "tastings": [size - 2, size + 6], "correct": 9}
    panels = ms.read_panels(table | {"planned": [size, size + 6]})
    said = next(d for d in card.departures(panels, margin=card.margin, priors=card.priors) if "another size" in d)
    assert said.endswith(f"of another size: larger ({size + 6}).")


def test_six_panels_of_a_departure_are_named_and_the_rest_counted():
    eight = {"panel": [f"P{i}" for i in range(8)], "protocol": "triangle", "correct": 9}
    (said,) = departures(make(panels=8), eight | {"tastings": 24, "date": "2025-03-08", "weeks": 2})
    assert said.endswith("of another size: P0 (24), P1 (24), P2 (24), P3 (24), P4 (24), P5 (24) and 2 others.")
    names = [f"m{i}" for i in range(8)]
    (said,) = make().unnamed(names)
    assert "moderators not named on it: m0, m1, m2, m3, m4, m5 and 2 others." in said
    assert make(moderators=names).unnamed(names) == () == make().unnamed([])


def test_a_panel_of_which_nothing_is_known_departs_in_nothing():
    looked = departures(make(), TABLE | {"looks": [None, 3, 1]})
    assert looked == (
        "Departs from the question card: it allows 1 look at a panel's count; looked at more often: B (3 looks).",
    )
    undated = departures(make(), TABLE | {"date": ["2025-03-08", None, "2025-02-22"]})
    assert [said.split(": ", 1)[1] for said in undated] == [
        "it is dated 2025-03-01; tasted before that: C.",
        "without a date it cannot be seen whether they came after the card: B.",
    ]
    two = {"panel": ["A", "B"], "protocol": "A-not-A", "signal": 15, "hits": 9, "noise": [15, 14], "false_alarms": 4}
    (said,) = departures(make(protocols="A-not-A", panels=2), two | {"date": "2025-03-08", "weeks": 2})
    assert said.endswith("it plans 30 tastings a panel; of another size: B (29).")


def test_of_what_is_no_card_the_kind_of_value_is_said():
    text = make().to_text()
    above, _, rest = text.partition("[sentences]")
    with pytest.raises(ValueError, match=r"'the text' is not a question card: .*not iterable"):
        Card.from_text("sentences = 3\n" + above + rest[rest.index("[seal]") :])
    with pytest.raises(ValueError, match=r"'the text' is not a question card: '0\.2' is not a margin"):
        Card.from_text(text.replace('"0.2 triangle"', '"0.2"'))
    with pytest.raises(ValueError, match=r"'the text' cannot be read as a question card:\n  line \d+, looks = one"):
        Card.from_text(text.replace("looks = 1", "looks = one"))


def test_a_card_says_each_item_in_words():
    says = make(moderators=["weeks", "dose"], stopping="").to_frame().set_index("item")["says"]
    assert says["protocols"] == "triangle" and says["moderators"] == "weeks and dose"
    assert says["stopping"] == "none given" and says["date"] == "2025-03-01" and says["looks"] == "1"
    assert "; " in says["priors"] and "_" not in says["priors"] and "1.5" in says["priors"] and "sentences" not in says
    assert says["sha256"] == make(moderators=["weeks", "dose"], stopping="").sha256
    assert "panels" not in make(panels=None).to_frame()["item"].tolist()
    assert repr(make()).lstrip().startswith("Question card of 2025-03-01")
    assert make().summary() == f"of 2025-03-01, SHA-256 {make().sha256}" and "changed" not in repr(make())


def test_a_card_needs_a_number_of_tastings_or_a_rule_for_the_end():
    with pytest.raises(ValueError, match="say how many tastings each panel has, or the stopping rule"):
        make(tastings=None, stopping="  ")
    with pytest.raises(ValueError, match="protocols names at least one protocol"):
        make(protocols=[])
    with pytest.raises(ValueError, match="margin is the smallest difference that matters"):
        make(margin=None)
    assert make(tastings=None, stopping="on 1 May").tastings is None and make(exclusions="").exclusions == ""
    assert make(protocols=["Triangle test", "duo trio"]).protocols == ("triangle", "duo-trio")

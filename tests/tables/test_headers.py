"""Which header is which column, and what is said of the others. Headers are invented."""

import pandas as pd
import pytest

from metasense.tables.columns import PANEL, PANEL_COLUMNS
from metasense.tables.headers import Column, _opposite, is_known, share_of
from metasense.tables.numbers import whole
from metasense.tables.panels import PanelsError, read_panels
from metasense.tables.wording import text

ROW = {"panel": "A", "protocol": "triangle", "tastings": "24", "correct": "9"}


def read(*headers, rows=1, **cells):
    """A table of the headers; cells of known ones are right."""
    values = [cells.get(header, ROW.get(header, "3")) for header in headers]
    lines = [",".join(f'"{header}"' for header in headers)]
    for i in range(rows):
        lines.append(",".join(f'"{value}{i or ""}"' if value == "A" else f'"{value}"' for value in values))
    return read_panels("\n".join(lines))


BASE = ("panel", "protocol", "tastings", "correct")
KNOWN = is_known(PANEL_COLUMNS)


@pytest.mark.parametrize(
    ("header", "known"),
    [
        ("correct", True),
        ("Correct:", True),
        ("n correct", True),
        ("No. correct", True),
        ("number of right answers", True),
        ("# right", True),
        ("№ right", True),
        ("tastings (count)", True),
        ("tastings [n]", True),
        ("no correct", False),  # which counts nothing
        ("number of dates", False),  # which is no count
        ("date (count)", False),
        ("no. dates", False),
        ("incorrect", False),
        ("# 1", False),
        ("oak", False),
        (None, False),
    ],
)
def test_a_header_is_known_by_its_names_and_what_it_counts(header, known):
    assert KNOWN(header) == known


def test_only_counts_are_counted():
    assert Column("x", "", whole, "Int64").counted and not Column("x", "", text, "string").counted
    assert Column("x", "", text, "string", "a b").other_names == ("a", "b")


@pytest.mark.parametrize(
    ("header", "found"),
    [
        ("% correct", "percent"),
        ("correct (%)", "percent"),
        ("correct in %", "percent"),
        ("percentage correct", "percent"),
        ("pct_right", "percent"),
        ("proportion correct", "part"),
        ("share of right", "part"),
        ("correct rate", "part"),
        ("correct ratio", "part"),
        ("p correct", "part"),
        ("correct", ""),
        ("incorrect %", ""),
        ("oak %", ""),
    ],
)
def test_a_share_of_a_count_is_told_with_its_scale(header, found):
    assert share_of(header, PANEL["correct"]) == found


def test_other_names_are_said_and_the_columns_own_name_goes_first():
    renamed = read("panel", "protocol", "n", "right")
    assert renamed.frame["correct"].tolist() == [3]
    assert "columns read under another name: 'n' as 'tastings' and 'right' as 'correct'." in renamed.notes
    one = read("panel", "protocol", "tastings", "No. of right")
    assert "column read under another name: 'No. of right' as 'correct'." in one.notes
    assert not [note for note in read(*BASE).notes if "another name" in note]


def test_two_columns_that_could_be_one_are_asked_about_unless_they_agree():
    with pytest.raises(PanelsError, match=r"columns 'right' and 'x' could each be 'correct' .*Keep or rename one"):
        read("panel", "protocol", "tastings", "right", "x")
    agree = read(*BASE, "right", right="9")
    assert "column 'right' is not used, and agrees with 'correct'." in agree.notes
    with pytest.raises(PanelsError, match=r"columns 'correct' and 'right' could each be 'correct' .*, and differ"):
        read(*BASE, "right", right="8")
    letter = read(*BASE, "x", x="8")  # which may be any number
    assert "kept as a possible moderator: 'x'." in letter.notes


def test_other_columns_are_kept_and_named():
    two = read(*BASE, "oak", "elm")
    assert "kept as possible moderators: 'oak' and 'elm'." in two.notes and two.moderators == ("oak", "elm")
    with pytest.raises(PanelsError, match=r"more than one column is called 'oak'\. Rename or remove all but one"):
        read(*BASE, "oak", "oak")


def test_near_misses_are_asked_about():
    found = read(*BASE, "blnd", blnd="double")
    assert "perhaps misspelt: 'blnd' (not read as 'blind': rename it if it is)." in found.notes
    assert not [note for note in read(*BASE, "oak").notes if "misspelt" in note]
    with pytest.raises(
        PanelsError, match=r"there is no column 'correct' \(.*\)\. If 'corect' is it, rename it\. The columns"
    ):
        read("panel", "protocol", "tastings", "corect")
    # of the letters of two words such as these, five of eight stand in the same order: too few to be one
    with pytest.raises(PanelsError) as caught:
        read("panel", "protocol", "stations", "correct")
    assert "there is no column 'tastings'" in str(caught.value) and "rename it" not in str(caught.value)


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("correct?", r"column 'correct\?' is 'correct' \(.*\) but for the \?\. Call it 'correct'"),
        ("(correct)", r"but for the \( \)"),
    ],
)
def test_a_header_that_is_a_column_but_for_a_sign_is_neither_read_nor_passed_over(header, says):
    with pytest.raises(PanelsError, match=says):
        read(*BASE[:3], header)


def test_a_column_without_a_header_must_be_empty_or_number_the_rows():
    numbered = read_panels(",panel,protocol,tastings,correct\n0,A,triangle,24,9\n1,B,triangle,24,9")
    assert "the first column has no header and only numbers the rows; it was left out." in numbered.notes
    with pytest.raises(PanelsError, match="column 5 has no header but holds values, the first '7' in row 3"):
        read_panels("panel,protocol,tastings,correct,\nA,triangle,24,9,\nB,triangle,24,9,7")
    assert len(read_panels("panel,protocol,tastings,correct,\nA,triangle,24,9,\nB,triangle,24,9,")) == 2
    with pytest.raises(PanelsError, match="column 1 has no header but holds values"):
        read_panels(",panel,protocol,tastings,correct\n1,A,triangle,24,9\n2,B,triangle,24,9")


def test_what_is_missing_is_named_with_what_is_there():
    with pytest.raises(PanelsError) as caught:
        read("panel", "tastings", "correct")
    assert (
        "there is no column 'protocol' (the test that was served). The columns are 'panel', 'tastings' and 'correct'."
        in str(caught.value)
    )


@pytest.mark.parametrize("header", ["planned rate", "% planned", "planned (%)"])
def test_the_p_of_planned_is_no_word_for_a_share(header):
    with pytest.raises(PanelsError, match=r"holds shares, not counts\. Write under 'planned'"):
        read_panels(f"panel,protocol,tastings,correct,{header}\nA,triangle,24,9,30")


def test_a_word_of_another_language_that_could_be_two_columns_is_asked_about_or_noted():
    with pytest.raises(PanelsError, match=r"column 'Anzahl' could be 'tastings'.*Call it 'tastings' if it holds"):
        read("panel", "protocol", "Anzahl", "correct")
    found = read(*BASE, "Anzahl", Anzahl="5")
    assert any("column 'Anzahl' could mean" in note and "was not read as that" in note for note in found.notes)


def test_headers_of_another_language_are_read_and_its_doubtful_words_only_beside_a_sure_one():
    german = read_panels("Panel;Prüfverfahren;Anzahl Antworten;Richtige Antworten\nK;Dreiecksprüfung;24;12\n")
    said = "columns read under another name: 'Prüfverfahren' as 'protocol' (German), 'Anzahl Antworten' as 'tastings'"
    assert any(note.startswith(said) for note in german.notes) and german.frame["correct"].tolist() == [12]
    alone = read(*BASE, "data", data="2025-04-03")  # which is a day in Italian, and data in English
    assert alone.moderators == ("data",) and alone.frame["date"].isna().all()
    italian = read_panels("panel,metodo,risposte,correct,data\nK,triangle,24,9,2025-04-03\n")
    assert italian.frame["date"].notna().all()


def test_of_a_word_that_could_be_two_columns_those_that_are_missing_are_named():
    both = read(*BASE, "tasters", "Anzahl", tasters="20", Anzahl="20")
    assert "column 'Anzahl' could mean 'tastings' or 'tasters', and was not read as that." in both.notes
    one = read(*BASE, "Anzahl", Anzahl="5")
    assert "column 'Anzahl' could mean 'tasters', and was not read as that." in one.notes


def test_a_second_column_that_agrees_is_used_up():
    agree = read(*BASE, "right", right="9")
    assert agree.moderators == () and not [note for note in agree.notes if "moderator" in note]


@pytest.mark.parametrize(
    ("one", "other", "opposite"),
    [("incorrect", "correct", True), ("not correct", "correct", True), ("correct(not)", "correct", True),
     ("1 - correct", "correct", True), ("100% correct", "correct", True), ("ncorrect", "correct", False),
     ("correct", "", False), ("correct", "right", False)],
)  # fmt: skip
def test_a_negated_word_is_the_opposite_whichever_comes_first(one, other, opposite):
    assert _opposite(one, other) == _opposite(other, one) == opposite


def test_half_a_character_in_a_header_is_refused_by_its_column():
    frame = pd.DataFrame([["A", "triangle", 24, 9, 3]])
    frame.columns = pd.Index([*BASE, "oak\ud800"], dtype=object)
    with pytest.raises(PanelsError, match="the header of column 5 holds half a character, which was lost before it"):
        read_panels(frame)


def test_no_hint_is_taken_from_a_name_of_two_letters_and_twenty_columns_are_named():
    with pytest.raises(PanelsError) as caught:
        read_panels("panel,protocol,signal,hits,noise,fat\nA,A-not-A,20,10,20,5\n")  # fa is false_alarms, fat is not
    assert "there is no column 'false_alarms'" in str(caught.value) and "rename it" not in str(caught.value)
    many = [f"z{i}" for i in range(19)]
    with pytest.raises(PanelsError, match="'z16' and 2 others"):
        read("panel", "tastings", "correct", *many)

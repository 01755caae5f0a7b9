"""Answers are right or wrong only where it is sure which cup they name. Tables are invented."""

import pandas as pd
import pytest

from metasense.tables.cells import plain
from metasense.tables.columns import PANEL_COLUMNS, TASTING_COLUMNS, one_row_a_tasting, refuse_served
from metasense.tables.panels import PanelsError, read_panels, read_tastings


def tastings(protocol, *pairs, **more):
    served, answers = zip(*pairs, strict=True)
    tasters = [f"T{i}" for i in range(len(pairs))]
    data = {"panel": "A", "protocol": protocol, "taster": tasters, "served": served, "answer": answers}
    return pd.DataFrame(data | more, dtype=object)


MARKS = [
    "-",
    "–",
    "—",
    "?",
    ".",
    *["nil", "unknown", "nan", "null", "skip", "skipped", "spilled", "dropped", "refused", "absent", "n/a"],
]


@pytest.mark.parametrize("mark", MARKS)
def test_a_mark_for_no_answer_is_no_answer(mark):
    read = read_tastings(tastings("triangle", ("1", "1"), ("2", "3"), ("3", mark)))
    assert read.frame["correct"].tolist() == [True, False, pd.NA]
    assert any(f"{mark!r} was read as" in note for note in read.notes)
    assert "no answer (refused or missing), and so not counted as a tasting: 1 in A." in read.notes


@pytest.mark.parametrize("answer", ["0", "5", "x", "417", "left", "1?", "(1)", "-1"])
def test_an_answer_that_is_no_cup_is_a_problem_of_its_row(answer):
    with pytest.raises(PanelsError, match="is no cup of this panel") as caught:
        read_tastings(tastings("triangle", ("1", "1"), ("2", "3"), ("3", answer)))
    assert [problem.row for problem in caught.value.problems] == [2]


def test_x_is_a_name_where_it_was_served():
    read = read_tastings(tastings("triangle", ("x", "x"), ("y", "x")))
    assert read.frame["correct"].tolist() == [True, False]


@pytest.mark.parametrize(
    ("protocol", "good", "bad"),
    [
        ("triangle", ("417", "862"), ("305", "41")),
        ("triangle", ("417", "862"), ("305", "4178")),
        ("2-AFC", ("old", "new"), ("old", "hello")),
        ("2-AFC", ("left", "right"), ("right", "middle")),
        ("duo-trio", ("1", "2"), ("2", "3")),
        ("tetrad", ("1+4", "1+3"), ("1+4", "1+5")),
    ],
)
def test_an_answer_of_another_kind_than_what_is_served_is_refused(protocol, good, bad):
    assert read_tastings(tastings(protocol, good)).frame["correct"].tolist() == [False]
    with pytest.raises(PanelsError):
        read_tastings(tastings(protocol, good, bad))


@pytest.mark.parametrize("tray", ["237/682/967", "A/B/B", "237|682|967", "237+682+967", "237 682 967", "ABB"])
def test_a_tray_is_not_the_right_answer_of_a_triangle(tray):
    with pytest.raises(PanelsError, match=r"tray|names 3 cups") as caught:
        read_tastings(tastings("triangle", (tray, "237"), (tray, "682")))
    assert {problem.column for problem in caught.value.problems} == {"served"}


def test_only_a_tetrad_without_direction_has_groups():
    assert read_tastings(tastings("tetrad", ("1+4/2+3", "2+3"))).frame["correct"].tolist() == [True]
    with pytest.raises(PanelsError, match="groups of cups, which only a tetrad has"):
        read_tastings(tastings("specified tetrad", ("1+4/2+3", "2+3")))


def test_a_pair_of_a_tetrad_may_be_named_by_the_other_two():
    read = read_tastings(tastings("tetrad", ("1+4", "2+3"), ("1+4", "1+2")))
    assert read.frame["correct"].tolist() == [True, False]
    with pytest.raises(PanelsError, match="may be the other two cups"):
        read_tastings(tastings("tetrad", ("417+305", "862+190"), ("862+190", "417+305")))


def test_a_code_that_a_spreadsheet_gave_decimals_is_the_code():
    read = read_tastings(tastings("triangle", ("794", "794.0"), ("794.0", "682")))
    assert read.frame["correct"].tolist() == [True, False]
    assert any("without the .0 that a spreadsheet adds" in note for note in read.notes)


@pytest.mark.parametrize("answer", ["-A", "~A", "¬A", "A?"])
def test_a_sign_before_a_is_not_a(answer):
    with pytest.raises(PanelsError, match="is not A or not A"):
        read_tastings(tastings("A-not-A", ("A", answer)))


@pytest.mark.parametrize("reader", [read_panels, read_tastings])
def test_a_sheet_of_a_served_panel_is_recognised_in_one_problem(reader):
    from metasense.planning.serving import serve

    plan = serve("triangle", 12, seed=1)
    for table in (plan.answer_sheet(), plan.key()):
        with pytest.raises(PanelsError, match="metasense answers KEY ANSWERS") as caught:
            reader(table)
        assert len(caught.value.problems) == 1


@pytest.mark.parametrize("name", ["Total", "Sum", "Mean", "Average", "Overall", "All", "Grand total", "Subtotal",
                                  "Summe", "TOTAL:", "Ø", "Total of 3 panels"])  # fmt: skip
def test_a_row_of_totals_is_refused_by_name(name):
    rows = [["X", "triangle", 24, 11], ["Y", "triangle", 31, 12], ["Z", "triangle", 18, 8], [name, "triangle", 73, 31]]
    with pytest.raises(PanelsError, match="looks like a total or average") as caught:
        read_panels(pd.DataFrame(rows, columns=["panel", "protocol", "tastings", "correct"]))
    assert [problem.row for problem in caught.value.problems] == [3]


@pytest.mark.parametrize("name", ["Total Wine 3", "Total Marmalade", "Mean Mayflower"])
def test_a_panel_with_total_in_its_name_is_a_panel(name):
    rows = [["X", "triangle", 24, 11], ["Y", "triangle", 31, 12], [name, "triangle", 18, 8]]
    assert len(read_panels(pd.DataFrame(rows, columns=["panel", "protocol", "tastings", "correct"]))) == 3


@pytest.mark.parametrize("header", ["incorrect", "wrong", "No. incorrect", "n wrong"])
def test_wrong_answers_that_are_counted_too_must_make_up_the_tastings(header):
    table = "panel,protocol,tastings,correct,refused,{}\nA,triangle,24,8,,16\nB,triangle,30,12,2,{}\nC,triangle,20,9,0,"
    assert len(read_panels(table.format(header, 18))) == 3
    assert len(read_panels(table.format(header, 20))) == 3  # those who gave no answer are among the wrong ones
    with pytest.raises(PanelsError, match=rf"row 3, panel 'B', column '{header}': 12 correct and 17 incorrect make 29"):
        read_panels(table.format(header, 17))
    with pytest.raises(PanelsError, match=r"with 2 refused they are the 30 tastings.*write 28 there"):
        read_panels(table.format(header, 16))


def test_an_answer_that_is_a_code_but_for_a_sign_is_refused():
    with pytest.raises(PanelsError, match="'992' is no cup of this panel"):
        read_tastings(tastings("triangle", ("#992", "992"), ("313", "298"), ("260", "403")))


@pytest.mark.parametrize("column", ["date", "protocol"])
def test_a_total_that_is_called_so_in_another_cell_is_refused_in_one_sentence(column):
    rows = [{"date": "2025-03-01", "panel": "X", "protocol": "triangle", "tastings": 24, "correct": 11},
            {"date": "2025-03-08", "panel": "Y", "protocol": "triangle", "tastings": 31, "correct": 12},
            {"date": None, "panel": None, "protocol": None, "tastings": 55, "correct": 23, column: "Total"}]  # fmt: skip
    with pytest.raises(PanelsError, match="looks like a total or average of the others, not a panel") as caught:
        read_panels(pd.DataFrame(rows))
    assert len(caught.value.problems) == 1 and caught.value.problems[0].row == 2


@pytest.mark.parametrize("name", ["Total 2024", "2024 total", "Average 2024", "Mittelwert Herbst", "Mean of panels", "Std dev",
                                  "Overall triangle", "Subtotal autumn", "Total 1"])  # fmt: skip
def test_a_total_or_average_of_a_part_is_refused_whatever_its_counts(name):
    rows = [["X", "triangle", 24, 11], ["Y", "triangle", 31, 12], [name, "triangle", 40, 17]]
    with pytest.raises(PanelsError, match="looks like a total or average"):
        read_panels(pd.DataFrame(rows, columns=["panel", "protocol", "tastings", "correct"]))


def test_a_name_that_holds_total_is_one_where_it_adds_up_some_rows_above_it():
    rows = [
        ["A", "triangle", 24, 8],
        ["B", "triangle", 30, 9],
        ["C", "triangle", 20, 7],
        ["Guild total taste", "triangle", 50, 16],
    ]
    with pytest.raises(PanelsError, match="looks like a total or average"):
        read_panels(pd.DataFrame(rows, columns=["panel", "protocol", "tastings", "correct"]))


def ordered(served, answer, order, **more):
    row = {
        "panel": "A",
        "protocol": "triangle",
        "taster": "T1",
        "served": served,
        "answer": answer,
        "order": order,
    } | more
    return pd.DataFrame([row], dtype=object)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (ordered("1", "1", "ABA"), "in the order ABA cup 2 is the odd one"),
        (ordered("3", "3", "AAA"), "there is no odd cup"),
        (ordered("417", "111", "417-305-862"), "answer is '111', which is not among the cups"),
        (ordered("999", "999", "417-305-862"), "served is '999', which is not among the cups"),
        (ordered("417", "417", "417-305-862", position=3), "stands at place 1, not 3"),
        (ordered("1", "1", "BAA", position=2), "not 2|but correct is"),
    ],
)
def test_a_tray_that_contradicts_what_was_served_or_answered_is_refused(table, words):
    with pytest.raises(PanelsError, match=words):
        read_tastings(table)


def test_an_answer_that_says_none_beside_a_verdict_is_refused():
    rows = [{"panel": "A", "protocol": "triangle", "taster": f"T{i}", "served": "1", "answer": a, "correct": c}
            for i, (a, c) in enumerate([("1", 1), ("refused", 0)])]  # fmt: skip
    with pytest.raises(PanelsError, match="the answer says that there was none, and correct is"):
        read_tastings(pd.DataFrame(rows, dtype=object))


def test_passed_is_not_taken_for_an_answer_refused():
    with pytest.raises(PanelsError):
        read_tastings(
            pd.DataFrame({"panel": "A", "protocol": "triangle", "taster": ["1", "2"], "correct": ["passed", "1"]})
        )


def test_tasters_whose_names_differ_only_in_capitals_are_said_to_be_different():
    read = read_tastings(
        pd.DataFrame({"panel": "A", "protocol": "triangle", "taster": ["t1", "T1"], "correct": [1, 0]})
    )
    assert any(note.startswith("tasters whose names differ only in capitals") for note in read.notes)


def test_a_moderator_in_front_may_say_all_or_mean():
    rows = [["all", "X", "triangle", 24, 11], ["mean", "Y", "triangle", 31, 12], ["dry", "Z", "triangle", 20, 9]]
    read = read_panels(pd.DataFrame(rows, columns=["style", "panel", "protocol", "tastings", "correct"]))
    assert len(read) == 3


@pytest.mark.parametrize("mark", ["?", "-", "n/a", "...", "unknown", "refused", "No show!", "nan"])
def test_a_mark_for_nobody_is_no_taster(mark):
    table = f"panel,protocol,taster,correct\nA,triangle,T1,1\nA,triangle,{mark},0\nA,triangle,,0"
    with pytest.raises(PanelsError) as caught:
        read_tastings(table)
    assert [problem.row for problem in caught.value.problems] == [3, 4]
    assert f"{mark!r} says nothing here. Write a code for the person." in str(caught.value)
    assert "the cell is empty. Write a code for the person." in str(caught.value)


def test_initials_and_names_that_programs_write_for_nothing_are_people_and_said():
    table = "panel,protocol,taster,correct\nA,triangle,NA,1\nA,triangle,Nan,0\nA,triangle,DK,0"
    read = read_tastings(table)
    assert read.frame["taster"].tolist() == ["NA", "Nan", "DK"]
    assert "column 'taster': 'NA', 'Nan' and 'DK' were read as a person's code." in read.notes


@pytest.mark.parametrize("word", ["refused", "Declined.", "no answer", "didn’t answer", "spilled!"])
def test_a_word_for_no_answer_under_correct_is_none_and_beside_an_answer_is_asked_about(word):
    alone = read_tastings(f"panel,protocol,taster,correct\nA,triangle,T1,1\nA,triangle,T2,{word}")
    assert alone.frame["correct"].isna().tolist() == [False, True]
    assert any("read as no answer" in note for note in alone.notes)
    table = f"panel,protocol,taster,served,answer,correct\nA,triangle,T1,417,417,1\nA,triangle,T2,305,305,{word}"
    with pytest.raises(PanelsError, match="correct says that there was no answer") as caught:
        read_tastings(table)
    assert [(problem.row, problem.column) for problem in caught.value.problems] == [(3, "correct")]
    assert len(read_tastings(table.replace("305,305", "305,"))) == 2


@pytest.mark.parametrize("mark", ["-", "?", "n/a"])
def test_a_needed_cell_that_holds_a_mark_is_not_called_empty(mark):
    table = f"panel,protocol,tastings,correct\nA,triangle,{mark},5\nB,triangle,,4"
    with pytest.raises(PanelsError) as caught:
        read_panels(table)
    first, second = caught.value.problems
    assert first.message == f"{mark!r} says nothing here. Write how many answers were given."
    assert second.message == "the cell is empty. Write how many answers were given."


@pytest.mark.parametrize("word", ["absent", "Absent.", "ABSENT!", "didn't come", "Did not come.", "no-show"])
def test_a_stop_or_capitals_do_not_change_what_an_incident_says(word):
    head = "panel,protocol,taster,served,answer,incident\nA,triangle,T1,417,417,\nA,triangle,T2,305,"
    notes = " ".join(read_tastings(f"{head},{word}").notes)
    assert "does not say that a row is left out" not in notes and "no answer" in notes
    with pytest.raises(PanelsError, match="there is an answer though the incident is"):
        read_tastings(f"{head}305,{word}")


TOTALLED = "panel,protocol,tastings,correct,left_out\nA,triangle,20,5,\nB,triangle,20,7,{}\nC,triangle,10,4,\nD,triangle,9,3,\n"  # fmt: skip


@pytest.mark.parametrize(
    ("left_out", "counts", "says"),
    [
        ("", "59,19", "all the other panels, as"),
        ("yes", "59,19", "all the other panels, those left out among them, as"),
        ("yes", "39,12", "all the other panels, as"),
    ],
)
def test_a_last_row_that_adds_the_others_up_is_refused_whatever_its_name_until_that_is_decided(left_out, counts, says):
    table = TOTALLED.format(left_out)
    with pytest.raises(PanelsError, match=f"'Alles' adds up to {says} their total does") as caught:
        read_panels(f"{table}Alles,triangle,{counts},")
    assert [problem.row for problem in caught.value.problems] == [6]
    kept = read_panels(f"{table}Alles,triangle,{counts},no")
    assert kept.frame["panel"].tolist()[-1] == "Alles"
    assert any("adds up to all the other panels: Alles" in note for note in kept.notes)
    assert len(read_panels(f"{table}Alles,triangle,58,19,")) == 5 - (left_out == "yes")


def test_a_name_that_holds_total_is_one_where_rows_left_out_are_in_it():
    with pytest.raises(PanelsError, match="'Total Wine' looks like a total"):
        read_panels(f"{TOTALLED.format('yes')}Total Wine,triangle,59,19,")


def test_tastings_that_add_up_by_themselves_show_no_total():
    table = "panel,protocol,tastings,correct\nA,triangle,20,5\nB,triangle,20,7\nC,triangle,20,4\nD,triangle,60,0"
    assert len(read_panels(table)) == 4
    few = "panel,protocol,tastings,correct\nA,triangle,20,5\nB,triangle,20,7\nC,triangle,40,12"
    assert any("adds up to all the other panels: C" in note for note in read_panels(few).notes)


def test_a_state_of_the_answer_is_right_wrong_or_none():
    cells = ["1", "0", "yes", "No", "TRUE", "f", "right", "wrong", "refused", "-"]
    wanted = [True, False, True, False, True, None, True, False, None, None]
    cells, wanted = zip(*[pair for pair in zip(cells, wanted, strict=True) if pair[0] != "f"], strict=True)
    table = {
        "panel": "A",
        "protocol": "triangle",
        "taster": [f"T{i}" for i in range(len(cells))],
        "correct": list(cells),
    }
    found = read_tastings(pd.DataFrame(table, dtype=object)).frame["correct"]
    assert [None if pd.isna(x) else bool(x) for x in found] == list(wanted)


def test_none_is_a_preference_and_no_answer_is_not():
    cells = ["new", "O", "none", "no preference", "-", "refused", None]
    table = {"panel": "A", "protocol": "triangle", "taster": list("abcdefg"), "correct": 1, "preference": cells}
    found = read_tastings(pd.DataFrame(table, dtype=object)).frame["preference"]
    assert [None if pd.isna(x) else x for x in found] == ["new", "old", "none", "none", None, None, None]
    table = {
        "panel": "A",
        "protocol": "triangle",
        "taster": list("abcd"),
        "correct": 1,
        "placebo": ["old", "neither", "-", "stated"],
    }
    found = read_tastings(pd.DataFrame(table, dtype=object)).frame["placebo"]
    assert [None if pd.isna(x) else x for x in found] == ["stated", "none", None, "stated"]


@pytest.mark.parametrize(
    ("headers", "says"),
    [
        (["tray", "code", "sample", "place"], "looks like the key of a served panel"),
        (["Tray", "Code", "Sample"], "looks like the key of a served panel"),
        (["taster", "cups", "answer"], "looks like the answers sheet of a served panel"),
        (["tray", "code"], None),
        (["taster", "cups", "answer", "served"], None),
        (["taster", "cups", "answer", "correct"], None),
        (["cups", "answer"], None),
        (["panel", "protocol", "taster", "correct"], None),
    ],
)
def test_the_tables_of_a_served_panel_are_called_what_they_are(headers, says):
    if says is None:
        refuse_served(headers, "table.csv")
    else:
        with pytest.raises(PanelsError, match=f"{says}.*Join the two with read_answers"):
            refuse_served(headers, "table.csv")


@pytest.mark.parametrize(
    ("headers", "single"),
    [
        (["panel", "protocol", "taster", "correct"], True),
        (["panel", "protocol", "assessor", "response"], True),
        (["panel", "taster", "answer", "served"], True),
        (["panel", "protocol", "taster"], False),
        (["panel", "protocol", "correct"], False),
        (["panel", "protocol", "taster", "correct", "tastings"], False),
        (["panel", "protocol", "taster", "correct", "hits"], False),
    ],
)
def test_one_row_a_tasting_is_told_by_the_headers(headers, single):
    assert one_row_a_tasting(headers) == single


def test_no_two_columns_answer_to_one_name():
    for columns in (PANEL_COLUMNS, TASTING_COLUMNS):
        names = [
            name
            for column in columns
            if not column.in_words  # where its name stands over numbers they are another column's
            for name in (plain(column.name), *column.other_names)
        ]
        assert len(names) == len(set(names))
        assert all(name == plain(name) for name in names)


def people(cells, **more):
    table = {"panel": list("ABC"), "protocol": "triangle", "tastings": 20, "correct": [8, 11, 9], "people": cells}
    return read_panels(table | more)


def test_words_under_people_name_a_group_and_numbers_count_tasters():
    named = people(["club", None, "club"])
    assert named.frame["people"].fillna("").tolist() == ["club", "", "club"] and named.frame["tasters"].isna().all()
    counted = people([20, "19", None])
    assert counted.frame["tasters"].fillna(0).tolist() == [20, 19, 0] and counted.frame["people"].isna().all()
    both = people(["club", "club", "staff"], tasters=20)
    assert both.to_frame()[["people", "tasters"]].iloc[2].tolist() == ["staff", 20]
    with pytest.raises(PanelsError, match="column 'people': 'club' is not a number"):
        people([20, "club", 20])  # which of the two is meant is not for us to say


@pytest.mark.parametrize("header", ["same people", "Taster group", "Verkostergruppe", "groupe de dégustateurs"])
def test_a_group_of_people_has_other_headers(header):
    table = {"panel": ["A"], "protocol": "triangle", "tastings": 20, "correct": 8, header: "club"}
    assert read_panels(table).frame["people"].tolist() == ["club"]


@pytest.mark.parametrize("word", ["keine Antwort", "no sé", "sans réponse"])
def test_a_word_of_another_language_for_no_answer_is_none_and_said(word):
    read = read_tastings(tastings("triangle", ("1", "1"), ("2", "3"), ("3", word)))
    assert read.frame["correct"].tolist() == [True, False, pd.NA]
    assert any(note.startswith(f"column 'answer': {word!r} was read as no answer") for note in read.notes)
    verdicts = {"panel": "A", "protocol": "triangle", "taster": ["T1", "T2"], "correct": ["yes", word]}
    assert read_tastings(verdicts).frame["correct"].tolist() == [True, pd.NA]


def test_no_preference_between_two_cups_alike_is_said_and_nothing_is_not():
    data = {"panel": "A", "protocol": "triangle", "taster": ["T1", "T2", "T3"], "correct": 1}
    read = read_tastings(data | {"placebo": ["stated", "none", "-"]})
    assert read.frame["placebo"].tolist()[:2] == ["stated", "none"] and pd.isna(read.frame["placebo"].iloc[2])
    counted = read.to_panels().frame
    assert counted[["placebo_stated", "placebo_none"]].iloc[0].tolist() == [1, 1]


@pytest.mark.parametrize("headers", [["tray", "place1"], ["round", "sample", "code", "cups"]])
def test_a_list_to_pour_or_serve_by_is_known_by_no_more_than_its_own_columns(headers):
    with pytest.raises(PanelsError, match="this looks like a list by which a panel is poured or served"):
        refuse_served(headers, "a list")
    refuse_served(headers[:-1], "another table")

"""Recording ballots: every one checked and on the disk before the next, and nothing given away."""

import html
import os
import re
import signal
import subprocess
import sys
import textwrap
import time

import pandas as pd
import pytest

import metasense as ms
from metasense.protocols import PROTOCOLS
from metasense.recording import FILE, Recording
from metasense.showing.words import banned

SAMPLES = ("Quillhurst", "Zembrook")  # words that occur nowhere else


def saved(tmp_path, protocol="triangle", tasters=6, **more):
    if protocol in ("2-AFC", "3-AFC", "specified tetrad"):
        more = {"attribute": "saltiness", "more": SAMPLES[0], **more}
    plan = ms.serve(protocol, tasters, samples=SAMPLES, allergens=[], hazards=[], **more)
    return plan.save(tmp_path / "plan")


def right(plan, taster):
    """The code of the odd cup of a triangle, looked up in the key."""
    cups = plan.cups[(plan.cups["taster"] == taster) & (plan.cups["part"] == "tasting")]
    seldom = cups["sample"].value_counts().idxmin()
    return cups.loc[cups["sample"] == seldom, "code"].iloc[0]


def wrong(plan, taster):
    cups = plan.cups[(plan.cups["taster"] == taster) & (plan.cups["part"] == "tasting")]
    return next(code for code in cups["code"] if code != right(plan, taster))


def some_answer(plan, cups):
    """An answer that a ballot of the protocol may hold."""
    name = plan.protocol.name
    codes = cups.split()
    words = {"A-not-A": "A", "same-different": "same"}
    if name in words:
        return words[name]
    if name in ("tetrad", "specified tetrad", "two-out-of-five"):
        return " ".join(codes[:2])
    return codes[-1]


@pytest.mark.parametrize("name", list(PROTOCOLS))
def test_what_is_recorded_is_what_answers_are_read_from(name, tmp_path):
    folder = saved(tmp_path, name)
    night = Recording.open(folder)
    sheet = night.plan.answer_sheet()
    for row in sheet.itertuples():
        night.put(row.taster, some_answer(night.plan, row.cups), trial=row.trial)
    typed = sheet.assign(answer=[some_answer(night.plan, cups) for cups in sheet["cups"]])
    from_form = ms.read_answers(folder, folder / FILE)
    from_sheet = ms.read_answers(folder, typed)
    columns = ["taster", "served", "answer", "order", "correct"]
    pd.testing.assert_frame_equal(from_form.frame[columns], from_sheet.frame[columns])
    assert from_form.to_panels().frame["looks"].tolist() == [1]  # the final one
    correct = int(from_form.frame["correct"].sum())
    assert f"All ballots are in: {correct} of 6 answers correct" in night.look()
    assert night.looks == 0  # at the end it is no look before the end


def test_pairs_certainty_and_sets_are_recorded_too(tmp_path):
    folder = saved(tmp_path, sets=2, preference=True, placebo=True, certainty=True)
    night = Recording.open(folder)
    for row in night.plan.answer_sheet().itertuples():
        liked = ["none", row.pair_2.split()[0]] if row.trial == 2 else []
        night.put(row.taster, row.cups.split()[0], trial=row.trial, certainty="guessed", preferred=liked)
    tastings = ms.read_answers(folder, folder / FILE)
    assert len(tastings) == 12
    assert tastings.frame["certainty"].eq("guessed").all()
    assert tastings.frame["preference"].notna().sum() + tastings.frame["placebo"].notna().sum() == 12
    assert night.missing() == ()


def test_it_goes_on_where_it_was_left(tmp_path):
    folder = saved(tmp_path)
    first = Recording.open(folder)
    first.put("T02", right(first.plan, "T02"))
    first.put("T05", incident="absent")
    again = Recording.open(folder)
    assert again.missing() == ("T01", "T03", "T04", "T06")
    assert "2 of 6 ballots recorded, of them 1 absent; still to come: T01, T03, T04 and T06." in again.sentence()
    assert Recording.open(folder / "sealed" / "key.csv").file.resolve() == again.file.resolve()


def test_nothing_says_whether_an_answer_is_correct(tmp_path):
    """The same words, whether all answers are right or all are wrong, and never a product."""
    folder = saved(tmp_path)
    plan = ms.ServingPlan.load(folder)
    said = []
    for name, pick in (("right", right), ("wrong", wrong)):
        night = Recording.open(plan, file=tmp_path / f"{name}.csv")
        words = []
        for taster in plan.tasters[:-1]:
            words.append(night.put(taster, pick(plan, taster)))
            words.append(f"{night!r}{night._repr_html_()}")
        everything = "".join(words) + night.file.read_text(encoding="utf-8") + night.to_frame().to_csv()
        assert not any(sample in everything for sample in SAMPLES)
        said.append(re.sub(r"\d{3}", "", "".join(words)))
    assert said[0] == said[1]
    assert "correct" not in said[0]


def test_a_tray_that_is_no_set_is_recorded_without_a_word(tmp_path):
    """To refuse three cups alike would tell what is in them."""
    folder = saved(tmp_path)
    night = Recording.open(folder)
    cups = night.plan.cups
    alike = " ".join(cups.loc[cups["sample"] == SAMPLES[0], "code"].iloc[:3])
    assert night.put("T01", alike.split()[0], cups=alike).startswith("Saved: T01 says")
    assert night.file.read_text(encoding="utf-8").count(alike) == 1


@pytest.mark.parametrize(
    ("ballot", "says"),
    [
        ({"taster": "T99", "answer": "417"}, "there is no taster 'T99' in this plan. Still to come: T02, T03"),
        ({"taster": "T02", "trial": 2, "answer": "417"}, "there is no set 2 of taster 'T02'"),
        ({"taster": "T02"}, "type the answer, or absent under incident"),
        ({"taster": "T02", "answer": "99"}, "'99' is not one of the codes on the tray"),
        ({"taster": "T02", "answer": "417 305"}, "is not one of the codes on the tray"),
        ({"taster": "T02", "answer": "x", "incident": "absent"}, "there is an answer though the incident is 'absent'"),
        ({"taster": "T02", "answer": "99", "cups": "98 99 97"}, "no code of a set in this key"),
        (
            {"taster": "T02", "answer": "1", "left_out": "blue moon"},
            "does not say for sure whether the row is left out",
        ),
    ],
)
def test_a_ballot_that_cannot_be_is_refused_and_not_saved(ballot, says, tmp_path):
    folder = saved(tmp_path)
    night = Recording.open(folder)
    night.put("T01", wrong(night.plan, "T01"))
    before = night.file.read_bytes()
    with pytest.raises(ValueError, match=re.escape(says)) as error:
        night.put(**ballot)
    assert night.file.read_bytes() == before
    assert not any(sample in str(error.value) for sample in SAMPLES)
    assert not banned(str(error.value))


def test_a_second_ballot_of_a_taster_is_named_and_only_replaced_where_said_so(tmp_path):
    night = Recording.open(saved(tmp_path))
    night.put("T03", right(night.plan, "T03"))
    with pytest.raises(ValueError, match="the ballot of T03 is recorded already"):
        night.put("T03", wrong(night.plan, "T03"))
    night.put("T03", wrong(night.plan, "T03"), replace=True, notes="=misread")
    assert night.to_frame()["answer"].tolist() == [wrong(night.plan, "T03")]
    night.put("T01", right(night.plan, "T01"))
    night.put("T02", right(night.plan, "T02"))
    assert night.to_frame()["notes"].tolist() == ["", "", "'=misread"]  # and no apostrophe more with every ballot


def test_a_cup_on_two_ballots_is_named(tmp_path):
    night = Recording.open(saved(tmp_path))
    night.put("T01", right(night.plan, "T01"))
    with pytest.raises(ValueError, match="on the ballot of T01, which is recorded already"):
        night.put("T02", right(night.plan, "T01"), cups=night.cups("T01").replace(" ", ","))
    swapped = Recording.open(night.file.parent)  # somebody did not come, and another got the tray
    swapped.put("T04", incident="Absent.")
    assert "T02 says" in swapped.put("T02", right(night.plan, "T04"), cups=night.cups("T04"))


def test_a_tasting_may_be_left_out_with_a_reason(tmp_path):
    folder = saved(tmp_path, tasters=2)
    night = Recording.open(folder)
    night.put("T01", right(night.plan, "T01"))
    night.put("T02", right(night.plan, "T02"), left_out="yes: cold")
    tastings = ms.read_answers(folder, folder / FILE)
    assert len(tastings) == 1
    assert any("left out" in note for note in tastings.notes)


def test_looks_before_the_end_are_counted_and_reach_the_table_of_panels(tmp_path):
    folder = saved(tmp_path)
    night = Recording.open(folder)
    with pytest.raises(ValueError, match="no count to look at"):
        night.look()
    assert night.looks == 0
    night.put("T01", right(night.plan, "T01"))
    assert "So far 1 of 1 answer correct. This was look 1 before the end" in night.look()
    night.put("T02", wrong(night.plan, "T02"))
    assert "So far 1 of 2 answers correct. This was look 2" in Recording.open(folder).look()
    for taster in night.plan.tasters[2:]:
        night.put(taster, wrong(night.plan, taster))
    night.look()
    night.look()
    assert night.looks == 2
    assert ms.read_answers(folder, folder / FILE).to_panels().frame["looks"].tolist() == [3]  # the final one included


@pytest.mark.parametrize("what", ["answers.csv", "trays.csv", "run.html", "sealed/key.csv"])
def test_nothing_else_is_ever_written_over(what, tmp_path):
    folder = saved(tmp_path)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with pytest.raises(ValueError, match="does not hold ballots of this plan as they were recorded"):
        Recording.open(folder, file=folder / what)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_ballots_of_another_panel_are_refused(tmp_path):
    folder = saved(tmp_path)
    Recording.open(folder).put("T01", incident="absent")
    other = ms.serve("triangle", 6, samples=SAMPLES, panel="another evening", allergens=[], hazards=[])
    with pytest.raises(ValueError, match="ballots of another panel than 'another evening'"):
        Recording.open(other, file=folder / FILE)


def test_a_plan_that_was_not_saved_needs_a_place(tmp_path):
    plan = ms.serve("triangle", 2, samples=SAMPLES, allergens=[], hazards=[])
    with pytest.raises(ValueError, match="this plan was not saved"):
        Recording.open(plan)
    night = Recording.open(plan, file=tmp_path / "night.csv")
    night.put("T01", right(plan, "T01"))
    assert Recording.open(plan, file=tmp_path / "night.csv").missing() == ("T02",)


@pytest.mark.lab
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="the system knows no such end")
def test_killed_after_any_ballot_nothing_typed_is_lost(tmp_path):
    """A process that types ballots and says each when it is saved is killed at once, and the next goes on."""
    folder = saved(tmp_path, tasters=6)
    plan = ms.ServingPlan.load(folder)
    typist = textwrap.dedent(
        """
        import sys, time
        from metasense.recording import Recording
        night = Recording.open(sys.argv[1])
        for taster in night.missing():
            night.put(taster, night.cups(taster).split()[0])
            print(taster, flush=True)
        """
    )
    said = []
    for wait in (0.0, 0.0, 0.005, 0.02):
        with subprocess.Popen(
            [sys.executable, "-c", typist, str(folder)], stdout=subprocess.PIPE, text=True
        ) as process:
            said.append(process.stdout.readline().strip())
            time.sleep(wait)
            os.kill(process.pid, signal.SIGKILL)
            said += process.stdout.read().split()
        there = Recording.open(folder).to_frame()
        assert set(filter(None, said)) <= set(there["taster"])
        assert there["answer"].ne("").all()
        assert (there["cups"] == plan.answer_sheet()["cups"].iloc[: len(there)]).all()
        if len(there) == 6:
            break
    night = Recording.open(folder)
    for taster in night.missing():
        night.put(taster, night.cups(taster).split()[0])
    assert len(ms.read_answers(folder, folder / FILE)) == 6
    assert not list(folder.glob(".*.part"))  # the next writer takes away what a killed one left


def test_two_who_type_at_once_lose_nothing(tmp_path):
    folder = saved(tmp_path)
    one = Recording.open(folder)
    two = Recording.open(folder)
    one.put("T01", right(one.plan, "T01"))
    two.put("T02", right(one.plan, "T02"))
    one.put("T03", right(one.plan, "T03"))
    assert one.to_frame()["taster"].tolist() == two.to_frame()["taster"].tolist() == ["T01", "T02", "T03"]


def test_the_cautions_and_sentences_are_plain(tmp_path):
    night = Recording.open(saved(tmp_path))
    assert not banned(night.sentence())
    assert html.escape(night.sentence()) in night._repr_html_()


# --- the form, without a browser --------------------------------------------------------------------------------------


def cells(form):
    return {child.description: child for child in form.children if getattr(child, "description", "")}


def text(widget):
    return html.unescape(re.sub(r"<[^>]+>", " ", widget.value)).replace("\xa0", " ")


def test_the_form_saves_a_ballot_and_offers_the_next(tmp_path):
    folder = saved(tmp_path)
    plan = ms.ServingPlan.load(folder)
    form = ms.record(folder)
    at = cells(form)
    save, look = form.children[-2].children
    assert at["ballot of"].label == "T01"
    assert at["codes on the tray"].value == plan.answer_sheet()["cups"].iloc[0]
    at["answer"].value = "99"
    save.click()
    assert "is not one of the codes" in text(form.children[-1])
    assert at["answer"].value == "99"  # what was typed stays, to be put right
    at["answer"].value = right(plan, "T01")
    save.click()
    assert text(form.children[-1]).strip() == f"Saved: T01 says {right(plan, 'T01')}."
    assert "1 of 6 ballots recorded" in text(form.children[0]) and "allergens" in text(form.children[0])
    assert at["ballot of"].label == "T02" and at["answer"].value == ""
    assert " correct" not in text(form.children[-1])
    at["answer"].value = "typed already"
    look.click()
    assert "So far 1 of 1 answer correct" in text(form.children[-1])
    assert "looked at once" in text(form.children[0])
    assert at["answer"].value == "typed already"
    again = cells(ms.record(folder))
    assert again["ballot of"].label == "T02"


def test_the_form_corrects_a_ballot_only_where_that_is_ticked(tmp_path):
    folder = saved(tmp_path, tasters=2)
    night = Recording.open(folder)
    for taster in ("T01", "T02"):
        night.put(taster, right(night.plan, taster))
    form = ms.record(folder)
    at = cells(form)
    save, _ = form.children[-2].children
    assert save.disabled and "all are in" in text(form.children[0])
    at["correct a ballot that is recorded"].value = True
    assert at["ballot of"].label == "T01" and at["answer"].value == right(night.plan, "T01")
    at["answer"].value = wrong(night.plan, "T01")
    save.click()
    assert night.to_frame()["answer"].iloc[0] == wrong(night.plan, "T01")


def test_the_form_asks_in_the_words_that_were_printed(tmp_path):
    pytest.importorskip("ipywidgets")
    own = {"question": {"same-different": "Ist es <dasselbe>?"}, "choices": {"same": "einerlei"}}
    more = {"samples": ("old", "new"), "allergens": [], "hazards": [], "certainty": True, "seed": 1}
    folder = ms.serve("same-different", 4, language="de", texts=own, **more).save(tmp_path / "plan")
    form = ms.record(folder)
    assert (
        "The ballots ask: Ist es &lt;dasselbe&gt;?" in form.children[0].value and "einerlei" in form.children[0].value
    )
    cells = {child.description: child for child in form.children if hasattr(child, "description")}
    assert cells["answer"].placeholder == "einerlei or verschieden"
    assert dict(cells["certainty"].options)["geraten"] == "guessed"
    cells["answer"].value, cells["certainty"].value = "Einerlei", "guessed"
    form.children[-2].children[0].click()
    assert form.children[-1].value.count("Saved: ") == 1
    frame = ms.Recording.open(folder).to_frame()
    assert frame["answer"].tolist() == ["Einerlei"] and frame["certainty"].tolist() == ["guessed"]


def test_without_the_form_it_is_said_what_does_the_same(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(ImportError, match=r"ms\.Recording\.open\(key\)\.put"):
        ms.record(saved(tmp_path))


def test_ballots_are_not_saved_in_a_folder(tmp_path):
    folder = saved(tmp_path)
    with pytest.raises(OSError, match=r"it is a folder\. Name a file in it"):
        Recording.open(folder, file=tmp_path)


def enter(cell):
    """What a browser sends when somebody presses Enter in a cell."""
    cell._handle_custom_msg({"event": "submit"}, [])


def test_enter_saves_what_is_said_goes_with_the_next_ballot_and_a_correction_unticks(tmp_path):
    plan = ms.serve("triangle", 3, preference=True, allergens=[], hazards=[], seed=3)
    folder = plan.save(tmp_path / "plan")
    form = ms.record(folder)
    at = cells(form)
    focused = []
    at["ballot of"].focus = lambda: focused.append(at["ballot of"].label)
    pairs = plan.trays()["place 1"]
    liked = str(pairs.iloc[3])  # the first cup of T01's pair
    at["answer"].value = right(plan, "T01")
    at["preferred, pair 1"].value = liked
    enter(at["answer"])
    said = text(form.children[-1]).strip()
    assert said == f"Saved: T01 says {right(plan, 'T01')} and prefers {liked}."
    assert focused == ["T02"]
    at["answer"].value = "1"
    assert text(form.children[-1]).strip() == ""  # of the ballot before
    enter(at["notes"])
    assert "is not one of the codes" in text(form.children[-1])
    at["answer"].value = "12"
    assert "is not one of the codes" in text(form.children[-1])  # this ballot's own stays until it is saved
    at["ballot of"].value = ("T03", 1)
    assert text(form.children[-1]).strip() == ""
    tick = at["correct a ballot that is recorded"]
    tick.value = True
    at["answer"].value = wrong(plan, "T01")
    enter(at["answer"])
    assert not tick.value and at["ballot of"].label == "T02"
    assert text(form.children[-1]).startswith(" ") and "Saved: T01" in text(form.children[-1])


def test_the_finished_form_names_the_call_that_follows(tmp_path):
    folder = saved(tmp_path, tasters=1)
    night = Recording.open(folder)
    night.put("T01", right(night.plan, "T01"))
    assert f'ms.read_answers("{folder.as_posix()}", blind="double")' in repr(night)
    other = Recording.open(folder, file=tmp_path / "other.csv")
    other.put("T01", right(night.plan, "T01"))
    assert f'"{(tmp_path / "other.csv").as_posix()}"' in repr(other)

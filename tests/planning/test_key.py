"""The key of a serving plan comes back as it was, and anything else is refused. Plans are invented."""

import pandas as pd
import pytest

import metasense as ms
from metasense.planning.key import key_of, read_key
from metasense.tables.panels import PanelsError


def plan(**more):
    asked = {"samples": ("old", "new"), "panel": "x1", "allergens": ["milk", "nuts"], "hazards": [], "seed": 7}
    return ms.serve("triangle", 6, **asked | more)


def read(frame):
    return read_key(frame.astype("string"))


def test_a_key_holds_all_that_the_plan_was_made_of():
    made = plan(date="2026-11-25", certainty=True)
    frame = key_of(made)
    assert set(frame["seed"]) == {"0x7"} and set(frame["certainty"]) == {"yes"}
    assert set(frame["allergens"]) == {"milk; nuts"} and set(frame["hazards"]) == {"none"}
    found = read(frame)
    assert (found["panel"], found["samples"], found["seed"]) == ("x1", ("old", "new"), 7)
    assert (found["allergens"], found["hazards"]) == (("milk", "nuts"), ())
    assert (found["date"], found["certainty"], found["protocol"]) == ("2026-11-25", True, ms.protocol("triangle"))
    assert (found["attribute"], found["more"], found["reference"]) == ("", None, None)
    pd.testing.assert_frame_equal(found["cups"], made.cups[list(found["cups"])])


def test_what_was_not_stated_stays_so():
    frame = key_of(plan(allergens=None, hazards=None))
    assert set(frame["allergens"]) == {""} and set(frame["certainty"]) == {"no"} and set(frame["date"]) == {""}
    found = read(frame)
    assert (found["allergens"], found["hazards"], found["date"], found["certainty"]) == (None, None, None, False)
    without = read(frame.assign(seed=""))
    assert without["seed"] is None


def test_a_direction_comes_back():
    found = read(key_of(ms.serve("2-AFC", 6, samples=("old", "new"), attribute="bitterness", more="new", seed=1)))
    assert (found["attribute"], found["more"]) == ("bitterness", "new")


def test_the_folder_of_the_plan_is_as_good_as_its_key(tmp_path):
    made = plan()
    folder = made.save(tmp_path / "plan")
    for place in (folder, str(folder), folder / "sealed" / "key.csv"):
        assert read_key(place)["seed"] == 7


@pytest.mark.parametrize(
    ("column", "row", "value", "says"),
    [
        ("panel", 3, "x2", "'x2' differs from the first row. One file holds the key of one panel"),
        ("seed", 3, "0x8", "'0x8' differs from the first row"),
        ("sample", 2, "other", "'other' is neither 'old' nor 'new'"),
        ("code", 2, "", "code"),
        ("protocol", slice(None), "square", "square"),
        ("seed", slice(None), "seven", "Take the key as it was saved"),
    ],
)
def test_a_changed_key_is_refused(column, row, value, says):
    frame = key_of(plan()).astype("string")
    frame.loc[frame.index[row], column] = value
    with pytest.raises(PanelsError, match=says):
        read_key(frame)


def test_a_code_may_stand_once_but_that_of_a_marked_sample_is_everybodys():
    frame = key_of(plan()).astype("string")
    twice = frame.copy()
    twice.loc[frame.index[1], "code"] = twice["code"].iloc[0]
    with pytest.raises(PanelsError, match=r"is there twice\. Take the key as it was saved"):
        read_key(twice)
    first = frame.index[frame["place"].astype(int) == 1]
    on_two_trays = frame.copy()
    on_two_trays.loc[first[1], "code"] = on_two_trays.loc[first[0], "code"]
    with pytest.raises(PanelsError, match=r"is there twice\. Take the key as it was saved"):
        read_key(on_two_trays)
    marked = key_of(ms.serve("duo-trio", 6, samples=("old", "new"), seed=1))
    assert (marked["place"] == 0).any() and read(marked)


def test_the_sheet_of_answers_is_called_what_it_is():
    with pytest.raises(PanelsError, match="this is the sheet of answers, not the key"):
        read_key(plan().answer_sheet().astype("string"))


REQUIRED = ("tray", "taster", "trial", "part", "place", "code", "sample", "panel", "protocol", "old", "new")


def test_a_key_without_one_of_its_columns_is_refused():
    frame = key_of(plan()).astype("string")
    for name in REQUIRED:
        with pytest.raises(PanelsError, match=f"there is no column '{name}'"):
            read_key(frame.drop(columns=name))
    assert read_key(frame.drop(columns=["attribute", "reference"]))["attribute"] == ""


OWN = {
    "language": "it",
    "ballots": {"rinse": "Sciacquate; poi =assaggiate,\u00a0piano.  «Così»"},
    "filling": {"checklist": ["Uno.", "-Due@"]},
}


def with_own_wording(**more):
    return plan(language="fr", texts=OWN, **more)


def test_own_wording_is_kept_with_the_key_and_sheets_made_again_are_the_same(tmp_path):
    made = with_own_wording(certainty=True)
    folder = made.save(tmp_path / "plan")
    frame = pd.read_csv(folder / "sealed" / "key.csv", dtype=str)
    frame.to_excel(tmp_path / "key.xlsx", index=False)
    for key in (folder, made.key(), folder / "sealed" / "key.csv", tmp_path / "key.xlsx"):
        again = ms.ServingPlan.load(key)
        assert again.texts == made.texts and again.texts("ballots.rinse").startswith("Sciacquate; poi =assaggiate")
        assert again.pages() == made.pages()
    assert frame["own_wording"].notna().sum() == 1 and frame["wording"].nunique() == 1
    assert set(frame["language"]) == {"fr"} and 'lang="it"' in made.pages()["ballots.html"]


def test_a_key_without_own_wording_says_nothing_of_it():
    assert not {"wording", "own_wording"} & set(key_of(plan(language="de")))
    assert read(key_of(plan(language="de")))["texts"].language == "de"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"own_wording": ""}, "own wording was printed, and is not in this key. Take the key as it was saved"),
        ({"wording": ""}, "the own wording of the sheets is not here as it was saved"),
        ({"wording": "sha256:0000000000000000"}, "is not here as it was saved"),
        ({"own_wording": "{}"}, "is not here as it was saved"),
    ],
)
def test_own_wording_that_is_lost_or_changed_is_said(change, says):
    frame = read_key(key_of(with_own_wording()).astype("string").assign(wording="", own_wording=""))
    assert frame["texts"].own == {} and frame["texts"].language == "fr"  # so it can be done without
    with pytest.raises(PanelsError, match=says):
        read(key_of(with_own_wording()).assign(**change))


def test_one_changed_letter_of_own_wording_shows():
    frame = key_of(with_own_wording())
    frame["own_wording"] = frame["own_wording"].str.replace("piano", "forte")
    with pytest.raises(PanelsError, match="is not here as it was saved"):
        read(frame)


def test_a_folder_that_holds_one_plan_stands_for_it_and_of_several_all_are_named(tmp_path):
    plan = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1)
    plan.save(tmp_path / "butter" / "panel_1")
    assert ms.ServingPlan.load(tmp_path / "butter").cups.equals(plan.cups)
    assert ms.Recording.open(tmp_path / "butter").file == tmp_path / "butter" / "panel_1" / "recorded.csv"
    ms.serve("triangle", 3, allergens=[], hazards=[], seed=2).save(tmp_path / "butter" / "panel_2")
    with pytest.raises(ms.PanelsError, match=r"there are 2 plans in .*panel_1' and '.*panel_2'. Name one of them"):
        ms.ServingPlan.load(tmp_path / "butter")

"""What the demos print, read by machine; the whole of it is for reading: ``python tests/reading/demos.py FILE``."""

import pytest
from reading import demos

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

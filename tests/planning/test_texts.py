"""The words of the sheets: every language says all of it, with the same things filled in, and slips are refused."""

import re
from importlib.resources import files

import pytest

from metasense.planning.planned import HAZARDS
from metasense.planning.texts import LANGUAGES, placeholders, sheet_texts
from metasense.protocols import PROTOCOLS

ENGLISH = sheet_texts("en").entries
ALIKE = {"A", "2-AFC", "3-AFC", "Name", "Date", "Signature", "no", "to", "a", "de"}  # one word in two languages


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_has_the_same_texts_with_the_same_placeholders(language):
    texts = sheet_texts(language).entries
    assert list(texts) == list(ENGLISH)
    for name, entry in texts.items():
        assert isinstance(entry, str) == isinstance(ENGLISH[name], str), name
        assert placeholders(entry) == placeholders(ENGLISH[name]), name
    assert len(texts["filling.checklist"]) == len(ENGLISH["filling.checklist"])


@pytest.mark.parametrize("language", [code for code in LANGUAGES if code != "en"])
def test_nothing_is_left_untranslated(language):
    for name, entry in sheet_texts(language).entries.items():
        if entry == ENGLISH[name]:
            assert entry in ALIKE, name


def test_every_protocol_and_every_hazard_has_its_texts():
    for name in PROTOCOLS:
        assert {f"tests.{name}", f"setting.{name}", f"question.{name}"} <= set(ENGLISH)
    assert {f"run.care_{hazard}" for hazard in HAZARDS} <= set(ENGLISH)


@pytest.mark.parametrize("language", LANGUAGES)
def test_texts_are_tidy_and_end_as_sentences_do(language):
    for name, entry in sheet_texts(language).entries.items():
        for text in [entry] if isinstance(entry, str) else entry:
            assert text == text.strip() and "  " not in text, name
            assert text.endswith(".") == (ENGLISH[name].endswith(".") if isinstance(entry, str) else False), name
            opened = "«»" if language in ("fr", "es") else "»«"
            assert text.count(opened[0]) == text.count(opened[1]), name
            if language == "fr":
                assert not re.search(r" [?!;:»]|« ", text), name  # a line is not broken there
            if language == "es":
                assert text.count("¿") == text.count("?"), name


def test_typed_words_and_columns_stay_as_they_are_in_every_language():
    for language in LANGUAGES:
        text = sheet_texts(language)("run.type")
        assert all(word in text for word in ("answers.csv", "cups", "absent", "incident", "left_out")), language


def test_a_language_that_there_is_not_is_refused_with_those_there_are():
    with pytest.raises(ValueError, match="no sheets in 'it'; language is one of 'en', 'de', 'fr' and 'es'"):
        sheet_texts("it")


@pytest.mark.parametrize(
    ("own", "words"),
    [
        ({"ballots": {"rins": "Sip."}}, "no text 'ballots.rins'; did you mean 'ballots.rinse'"),
        ({"ballot": {"zzz": "Sip."}}, "there is no text 'ballot.zzz'"),
        ({"ballots": {"set": "Set {number}"}}, "'ballots.set' has {all} and {number} in braces"),
        ({"ballots": {"rinse": "Sip {this}."}}, "'ballots.rinse' has nothing in braces"),
        ({"ballots": {"rinse": "Sip {this."}}, "a brace too many or too few"),
        ({"ballots": {"rinse": 3}}, "'ballots.rinse' is a text in quotation marks"),
        ({"ballots": {"rinse": " "}}, "'ballots.rinse' is a text in quotation marks, and not empty"),
        ({"filling": {"checklist": "Batch"}}, "'filling.checklist' is a list of texts"),
    ],
)
def test_own_wording_that_no_sheet_would_use_is_refused(own, words):
    with pytest.raises(ValueError, match=r"^own wording: ") as caught:
        sheet_texts("de", own)
    assert words in str(caught.value)


def test_own_wording_is_read_from_a_file_and_all_that_is_wrong_is_said(tmp_path):
    file = tmp_path / "own.toml"
    file.write_text('language = "it"\n[ballots]\nrinse = "Sciacquate."\n', encoding="utf-8")
    texts = sheet_texts("en", file)
    assert (texts.language, texts("ballots.rinse"), texts("ballots.guess")) == (
        "it", "Sciacquate.", ENGLISH["ballots.guess"],
    )  # fmt: skip
    file.write_text('[ballots]\nrins = "x"\n[run]\ntitel = "y"\n', encoding="utf-8")
    with pytest.raises(ValueError, match=r"ballots\.rins.*run\.titel"):
        sheet_texts("en", file)
    file.write_text("rinse: Sip\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r'cannot be read:\n  line 1, rinse: Sip: .*; write rinse = "Sip"'):
        sheet_texts("en", file)
    file.write_bytes("[ballots]\nrinse = 'Spülen'".encode("latin-1"))
    with pytest.raises(ValueError, match="not in UTF-8"):
        sheet_texts("en", file)
    with pytest.raises(ValueError, match="there is no file"):
        sheet_texts("en", tmp_path / "missing.toml")


def test_our_files_can_be_given_as_own_wording_which_is_how_a_translation_begins():
    folder = files("metasense").joinpath("languages")
    for language in LANGUAGES:
        assert sheet_texts("en", folder.joinpath(f"{language}.toml")).entries == sheet_texts(language).entries

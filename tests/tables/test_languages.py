"""Tables in German, French, Spanish, Italian and Portuguese are read, with a note that states the reading.

The words are common practice, no source; the names of the protocols in each language follow the national titles of
ISO 4120 (triangle), 10399 (duo-trio), 5495 (paired comparison) and 8588 (A-not-A), from memory. Tables are invented.
"""

import pandas as pd
import pytest

from metasense.protocols import PROTOCOLS as KNOWN
from metasense.tables import languages
from metasense.tables.columns import PANEL_COLUMNS, TASTING_COLUMNS
from metasense.tables.exclusion import LEFT_OUT
from metasense.tables.headers import is_english
from metasense.tables.panels import PanelsError, read_panels, read_table, read_tastings

PANELS = {
    "German": "Panel;Prüfverfahren;Anzahl Antworten;Richtige Antworten;Datum;Verkoster\n"
    "Kelter 1;Dreiecksprüfung;24;12;2025-04-03;24\nKelter 2;Duo-Trio-Test;30;14;2025-05-03;30\n",
    "French": "Panel;Méthode;Nombre de réponses;Bonnes réponses;Jour;Dégustateurs\n"
    "Kelter 1;Essai triangulaire;24;12;2025-04-03;24\nKelter 2;Essai duo-trio;30;14;2025-05-03;30\n",
    "Spanish": "Panel;Tipo de prueba;Nº de respuestas;Aciertos;Fecha;Catadores\n"
    "Kelter 1;Prueba triangular;24;12;2025-04-03;24\nKelter 2;Prueba dúo-trío;30;14;2025-05-03;30\n",
    "Italian": "Panel;Tipo di prova;Numero di risposte;Risposte esatte;Data;Assaggiatori\n"
    "Kelter 1;Prova triangolare;24;12;2025-04-03;24\nKelter 2;Prova duo-trio;30;14;2025-05-03;30\n",
    "Portuguese": "Painel;Tipo de teste;Número de respostas;Respostas corretas;Data;Provadores\n"
    "Kelter 1;Teste triangular;24;12;2025-04-03;24\nKelter 2;Teste duo-trio;30;14;2025-05-03;30\n",
}
TASTINGS = {
    "German": ("Panel;Verfahren;Verkoster;richtig", "Dreieckstest", "ja", "nein"),
    "French": ("Panel;Méthode;Dégustateur;juste", "triangulaire", "oui", "non"),
    "Spanish": ("Panel;Prueba;Catador;acierto", "triangular", "sí", "falso"),
    "Italian": ("Panel;Metodo;Assaggiatore;giusto", "triangolare", "sì", "falso"),
    "Portuguese": ("Painel;Método;Provador;certo", "teste triangular", "sim", "não"),
}


@pytest.mark.parametrize("language", languages.LANGUAGES)
def test_a_table_of_panels_is_read_with_a_note_on_every_header_and_protocol(language):
    read = read_table(PANELS[language])
    rows = read.frame[["panel", "protocol", "tastings", "correct", "tasters"]].values.tolist()
    assert rows == [["Kelter 1", "triangle", 24, 12, 24], ["Kelter 2", "duo-trio", 30, 14, 30]]
    assert read.frame["date"].tolist() == [pd.Timestamp("2025-04-03"), pd.Timestamp("2025-05-03")]
    notes = " ".join(read.notes)
    for header in PANELS[language].split("\n")[0].split(";")[1:]:
        assert f"{header!r} as '" in notes
    assert language in notes and "was read as 'triangle'" in notes


@pytest.mark.parametrize("language", languages.LANGUAGES)
@pytest.mark.parametrize("change", [str, str.upper, str.lower])
def test_single_answers_are_read_with_a_note_on_yes_and_no(language, change):
    head, test, yes, no = TASTINGS[language]
    text = change(f"{head}\nK;{test};T1;{yes}\nK;{test};T2;{no}\n")
    read = read_table(text)
    assert read.frame["correct"].tolist() == [True, False] and (read.frame["protocol"] == "triangle").all()
    assert any(f"{change(yes)!r} was read as yes, in" in note and language in note for note in read.notes)


def test_accents_may_be_missing_and_umlauts_spelt_out():
    assert languages.columns_called("REPONSES EXACTES") == {"correct": ("French",)}
    assert languages.columns_called("Pruefverfahren") == languages.columns_called("Prüfverfahren")
    assert languages.protocol_called("Dreieckspruefung") == ("triangle", ("German",))


def test_every_word_means_one_column_of_a_table_and_is_no_other_english_header():
    for columns in (PANEL_COLUMNS, TASTING_COLUMNS):
        names = {column.in_catalogue: column for column in [*columns, LEFT_OUT]}
        english = {name: is_english([column]) for name, column in names.items()}
        for word, meanings in languages._HEADERS.items():
            mine = set(meanings) & set(names)
            assert len(mine) <= 1, (word, mine)
            assert not mine or not any(known(word) for name, known in english.items() if name not in mine), word


def test_every_protocol_and_choice_means_one_thing():
    assert set(languages.PROTOCOLS) <= set(KNOWN)
    for catalogue in (languages.PROTOCOLS, languages.YES_NO, languages.BLIND):
        assert all(len(meanings) == 1 for meanings in languages.by_word(catalogue).values())
    assert not set(languages._ASKED) & set(languages._HEADERS)


@pytest.mark.parametrize(
    ("header", "could"),
    [("Anzahl", "'tastings' or 'tasters'"), ("nombre", "'tastings' or 'tasters'"), ("Nummer", "'tastings'.")],
)
def test_a_word_that_could_be_two_columns_is_asked_about(header, could):
    with pytest.raises(PanelsError) as caught:
        read_panels(f"panel,Verfahren,{header},richtig\nA,triangle,24,12\n")
    (problem,) = caught.value.problems
    assert problem.message.startswith(f"column {header!r} could be {could}")
    assert "'tastings' if it holds how many answers were given" in problem.message


def test_a_word_that_could_be_two_columns_is_noted_where_none_is_missing():
    read = read_panels("panel,protocol,n,correct,tasters,Anzahl\nA,triangle,24,12,24,3\n")
    assert any(note.startswith("column 'Anzahl' could mean") for note in read.notes)
    assert read.moderators == ("Anzahl",)


def test_a_word_of_two_languages_counts_only_beside_another_of_its_own():
    english = read_panels("panel,protocol,n,correct,tag,data\nA,triangle,24,12,first,7\n")
    assert english.moderators == ("tag", "data")
    german = read_panels("Panel,Verfahren,Antworten,richtig,Tag\nA,triangle,24,12,2025-03-04\n")
    assert german.frame["date"].notna().all() and any("'Tag' as 'date' (German)" in note for note in german.notes)


def test_two_columns_of_one_meaning_are_refused_unless_they_agree():
    with pytest.raises(PanelsError, match="columns 'correct' and 'richtig' could each be 'correct'"):
        read_panels("panel,protocol,n,correct,richtig\nA,triangle,24,12,13\n")
    read = read_panels("panel,protocol,n,correct,richtig\nA,triangle,24,12,12\n")
    assert any("'richtig' is not used, and agrees" in note for note in read.notes)


def test_no_answer_and_left_out_are_read_in_other_languages():
    head = "Panel;Verfahren;Verkoster;richtig;ausgeschlossen"
    read = read_tastings(f"{head}\nK;Dreieck;T1;ja;\nK;Dreieck;T2;keine Antwort;\nK;Dreieck;T3;nein;ja: krank\n")
    assert read.frame["correct"].isna().tolist() == [False, True]
    assert any("'keine Antwort' was read as no answer" in note for note in read.notes)
    assert any("left out, as column 'ausgeschlossen' says" in note for note in read.notes)
    kept = read_panels("panel,protocol,n,correct,escluso\nA,triangle,24,12,sì\nB,triangle,30,12,não\n")
    assert kept.frame["panel"].tolist() == ["B"]


@pytest.mark.parametrize("word", ["naja", "jein", "quizás", "peut-être"])
def test_other_words_are_refused_and_never_guessed(word):
    with pytest.raises(PanelsError, match="is not one of yes, no and refused"):
        read_tastings(f"panel,protocol,taster,correct\nK,triangle,T1,yes\nK,triangle,T2,{word}\n")


def test_testers_are_tasters_and_a_panel_without_a_count_of_answers_is_told_so():
    german = read_panels("Panel,Verfahren,Antworten,Tester,richtig\nA,Dreieckstest,24,12,9\n")
    assert german.frame["tasters"].tolist() == [12]
    single = read_tastings("Panel;Verfahren;Tester;richtig\nA;Dreieckstest;T1;ja\n")
    assert single.frame["taster"].tolist() == ["T1"]
    with pytest.raises(ValueError, match="If a row is a panel, add how many answers it has, under 'tastings'"):
        read_panels("Panel,Verfahren,Verkoster,richtig\nA,Dreieckstest,24,9\nB,Dreieckstest,22,8\n")

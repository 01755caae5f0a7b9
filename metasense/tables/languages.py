"""Words of German, French, Spanish, Italian and Portuguese tables, and how people write them.

One catalogue, as data. Accents, case, spaces and hyphens do not matter, nor whether ä is written ae. A word stands here
only if it means one thing in the tables we read; one that could mean two is in `ASKED`, and is never read. One that is
an English word too, or means something else in another of the languages, is in `WEAK`: it is read only beside another
header of its language. What is read by this catalogue is always said in a note.

Sources: the words are common practice, no source, except the names of the triangle, duo-trio, paired comparison and
A-not-A tests, which are those of the national editions of ISO 4120, 10399, 5495 and 8588 (titles, from memory).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType

from metasense.protocols import protocol
from metasense.tables.cells import NOBODY, plain, tidy, worded

GERMAN, FRENCH, SPANISH, ITALIAN, PORTUGUESE = "German", "French", "Spanish", "Italian", "Portuguese"
LANGUAGES = (GERMAN, FRENCH, SPANISH, ITALIAN, PORTUGUESE)
Catalogue = dict[str, tuple[str, str, str, str, str]]  # what is meant -> its words, a string a language

# Headers by column: a string for each language, in the order above; is_correct is the column correct of single answers.
HEADERS: Catalogue = {
    "panel": (
        "Panel-Nr, Panelnummer, Panelname, Sitzung, Verkostungsname, Panelbezeichnung",
        "numéro de panel, nom du panel, séance, numéro de séance",
        "número de panel, nombre del panel, sesión, número de sesión",
        "numero del panel, nome del panel, seduta, sessione, numero di seduta",
        "painel, número do painel, nome do painel, sessão, número da sessão",
    ),
    "protocol": (
        "Verfahren, Prüfverfahren, Testverfahren, Methode, Testmethode, Prüfmethode, Testart, Protokoll, Art des Tests",
        "méthode, protocole, type d'essai, type de test, type d'épreuve, épreuve, méthode d'essai",
        "método, protocolo, tipo de prueba, tipo de test, tipo de ensayo, prueba, método de ensayo",
        "metodo, protocollo, tipo di test, tipo di prova, metodo di prova",
        "método, protocolo, tipo de teste, tipo de ensaio, teste, método de ensaio",
    ),
    "tastings": (
        "Antworten, Antworten gesamt, Antworten insgesamt, Gesamtantworten, Verkostungen, Urteile",
        "réponses, dégustations, jugements, réponses totales, total réponses",
        "respuestas, degustaciones, juicios, respuestas totales, catas",
        "risposte, assaggi, degustazioni, giudizi, risposte totali",
        "respostas, degustações, julgamentos, respostas totais",
    ),
    "correct": (
        "richtig, richtige, richtige Antworten, davon richtig, korrekt, korrekte, korrekte Antworten",
        "corrects, correctes, réponses correctes, bonnes réponses, justes, réponses justes, exactes, réponses exactes",
        "correctas, correctos, correcto, correcta, respuestas correctas, aciertos",
        "corrette, corretti, risposte corrette, esatte, risposte esatte, giuste, risposte giuste",
        "corretas, corretos, respostas corretas, acertos, certas, respostas certas, respostas correctas",
    ),
    "is_correct": (
        "richtig, korrekt, richtig erkannt",
        "juste, exact, exacte, correcte",
        "correcto, correcta, acierto, acertó",
        "corretto, corretta, esatto, esatta, giusto, giusta",
        "correto, correta, certo, certa, acertou",
    ),
    "tasters": (
        "Verkoster, Verkosterinnen, Verkostende, Tester, Testpersonen, Prüfer, Prüfpersonen, "
        "Teilnehmer, Teilnehmende, Personen, Panelisten",
        "dégustateurs, juges, sujets, personnes, panélistes, assesseurs",
        "catadores, participantes, jueces, evaluadores, personas, panelistas",
        "assaggiatori, degustatori, partecipanti, giudici, persone, panelisti",
        "provadores, participantes, avaliadores, juízes, julgadores, pessoas, panelistas",
    ),
    "people": (
        "Verkostergruppe, Prüfergruppe, Testergruppe, Personengruppe, gleiche Personen",
        "groupe de dégustateurs, groupe de juges, mêmes personnes",
        "grupo de catadores, grupo de jueces, mismas personas",
        "gruppo di assaggiatori, gruppo di giudici, stesse persone",
        "grupo de provadores, grupo de avaliadores, mesmas pessoas",
    ),
    "taster": (
        "Verkoster, Verkosterin, Tester, Testerin, Testperson, Prüfer, Prüferin, Prüfperson, "
        "Teilnehmer, Teilnehmerin, Verkoster-Nr, "
        "Verkosternummer, Verkostercode, Teilnehmernummer, Teilnehmer-Nr, Panelist",
        "dégustateur, dégustatrice, juge, sujet, panéliste, personne, code du dégustateur, numéro du dégustateur",
        "catador, catadora, juez, evaluador, evaluadora, participante, persona, panelista, código del catador",
        "assaggiatore, assaggiatrice, degustatore, giudice, partecipante, persona, panelista, codice assaggiatore",
        "provador, provadora, avaliador, avaliadora, julgador, juiz, participante, pessoa, panelista, "
        "código do provador",
    ),
    "served": (
        "richtige Antwort, korrekte Antwort, abweichende Probe, serviert, gereicht",
        "réponse correcte, bonne réponse, réponse exacte, échantillon différent, servi",
        "respuesta correcta, muestra diferente, muestra distinta, servido",
        "risposta corretta, risposta esatta, risposta giusta, campione diverso, servito",
        "resposta correta, resposta certa, amostra diferente, servido",
    ),
    "answer": (
        "Antwort, gewählt, Auswahl, gewählte Probe",
        "réponse, choix, échantillon choisi",
        "respuesta, elección, elegida, muestra elegida",
        "risposta, scelta, campione scelto",
        "resposta, escolha, escolhida, amostra escolhida",
    ),
    "trial": (
        "Durchgang, Wiederholung, Runde",
        "répétition, réplique",
        "repetición, réplica, ronda",
        "ripetizione, replica",
        "repetição, réplica, rodada",
    ),
    "order": (
        "Reihenfolge, Servierreihenfolge",
        "ordre, ordre de service, ordre de présentation",
        "orden, orden de servicio, orden de presentación",
        "ordine, ordine di servizio, ordine di presentazione",
        "ordem, ordem de serviço, ordem de apresentação",
    ),
    "preference": ("Präferenz, Vorliebe, bevorzugt", "préférence", "preferencia", "preferenza", "preferência"),
    "date": (
        "Datum, Testdatum, Prüfdatum, Verkostungsdatum, Tag",
        "jour, date de l'essai, date du test, date de séance, date de la séance",
        "fecha, día, fecha de la prueba, fecha de cata, fecha de la cata",
        "data, giorno, data del test, data della prova",
        "data, dia, data do teste, data da prova",
    ),
    "batch_pair": (
        "Chargenpaar, Chargen",
        "paire de lots, lots",
        "par de lotes, lotes",
        "coppia di lotti, lotti",
        "par de lotes, lotes",
    ),
    "blind": ("Verblindung, verblindet", "en aveugle, aveugle", "a ciegas, ciego", "in cieco, cieco", "às cegas, cego"),
    "planned": (
        "geplant",
        "prévu, prévus, prévues, planifié",
        "previsto, previstos, previstas, planificado",
        "previsti, previsto, pianificato",
        "previstos, planejado, planeado",
    ),
    "reported": ("veröffentlicht, bekannt gemacht", "publié", "publicado", "pubblicato", "publicado, divulgado"),
    "refused": (
        "verweigert, ohne Antwort, keine Antwort",
        "refus, sans réponse",
        "rechazos, sin respuesta",
        "rifiuti, senza risposta",
        "recusas, sem resposta",
    ),
    "notes": (
        "Notizen, Bemerkung, Bemerkungen, Anmerkung, Anmerkungen, Kommentar, Kommentare",
        "remarque, remarques, commentaire, commentaires",
        "notas, comentario, comentarios, observaciones",
        "osservazioni, commento, commenti",
        "notas, comentário, comentários, observações",
    ),
    "left_out": (
        "ausgeschlossen, weggelassen, nicht gewertet",
        "exclu, exclue, écarté, écartée",
        "excluido, excluida, descartado",
        "escluso, esclusa, scartato",
        "excluído, excluída, descartado",
    ),
    "false_alarms": (
        "falsche Alarme, Falschalarme, Fehlalarme",
        "fausses alarmes",
        "falsas alarmas",
        "falsi allarmi",
        "falsos alarmes",
    ),
    "prefer_new": (
        "neu bevorzugt, bevorzugen neu",
        "préfèrent le nouveau",
        "prefieren el nuevo",
        "preferiscono il nuovo",
        "preferem o novo",
    ),
    "prefer_old": (
        "alt bevorzugt, bevorzugen alt",
        "préfèrent l'ancien",
        "prefieren el antiguo",
        "preferiscono il vecchio",
        "preferem o antigo",
    ),
    "no_preference": (
        "keine Präferenz, ohne Präferenz",
        "sans préférence",
        "sin preferencia",
        "senza preferenza",
        "sem preferência",
    ),
}
COUNTING = (  # what stands before the thing that is counted
    "Anzahl der, Anzahl, Zahl der, Anz",
    "nombre de, nombre d', nombre, nbre de, nbre, nb de, nb d', nb, n° de",
    "número de, nº de, núm. de, cantidad de, total de",
    "numero di, numero, n. di, nr di, totale",
    "número de, nº de, quantidade de, total de",
)
ASKED: dict[str, tuple[str, ...]] = {  # words that could be one column or another, and those columns
    "Anzahl, Zahl": ("tastings", "tasters"),
    "Gesamt, gesamtzahl": ("tastings", "tasters"),
    "nombre": ("panel", "tastings", "tasters"),
    "nom, nome": ("panel", "taster"),
    "numéro, número, numero, nummer": ("panel", "tastings", "taster"),
    "Treffer": ("correct", "hits"),
    "Verkostung, dégustation, degustación, degustazione, degustação, cata": ("panel", "protocol", "tastings"),
    "Versuch, Prüfung, essai, ensayo, ensaio, prova, prove": ("panel", "protocol", "trial"),
    "Versuche, Prüfungen, essais, ensayos, ensaios, pruebas, provas": ("tastings", "looks"),
    "Probe, échantillon, muestra, campione, amostra": ("panel", "served", "answer"),
    "Ergebnis, résultat, resultado, risultato": ("correct", "answer"),
}
WEAK = frozenset({"tag", "data", "dia", "lots", "lotes", "exact", "persona", "replica", "ronda", "par", "panelist"})

# Protocols: the name without the words for "test" that may stand before or after it (`TESTS`).
PROTOCOLS: Catalogue = {
    "triangle": (
        "Dreieck, Dreiecks, Triangel, Triangular",
        "triangulaire, triangle",
        "triangular, triángulo",
        "triangolare, triangolo",
        "triangular, triângulo",
    ),
    "duo-trio": ("duo trio", "duo trio", "dúo trío", "duo trio", "duo trio"),
    "2-AFC": (
        "Paarvergleich, Paarvergleichs, paarweiser Vergleich, paarweise Vergleichs",
        "comparaison par paires, comparaison par paire",
        "comparación pareada, comparación por parejas, comparación por pares",
        "confronto a coppie, comparazione a coppie",
        "comparação pareada, comparação aos pares, comparação por pares",
    ),
    "tetrad": ("Tetraden, Tetrade", "tétrade, tétrades", "tétrada, tétradas", "tetrade, tetradi", "tétrade, tétrades"),
    "two-out-of-five": (
        "zwei aus fünf, 2 aus 5",
        "deux sur cinq, 2 sur 5",
        "dos de cinco, 2 de 5",
        "due su cinque, 2 su 5",
        "dois de cinco, dois em cinco, 2 de 5, 2 em 5",
    ),
    "A-not-A": ("A nicht A", "A non A, A pas A", "A no A", "A non A", "A não A"),
    "same-different": (
        "gleich verschieden, gleich ungleich, gleich oder verschieden",
        "même différent, pareil différent",
        "igual diferente, igual o diferente",
        "uguale diverso, uguale o diverso",
        "igual diferente, igual ou diferente",
    ),
}
TESTS = (
    "test, prüfung, verfahren, methode, prüfverfahren",
    "essai, essai de, essai du, épreuve, épreuve de, test, test de, méthode, méthode de",
    "prueba, prueba de, test, test de, ensayo, ensayo de, método, método de",
    "prova, prova di, prova del, test, test di, metodo, metodo di, metodo del",
    "teste, teste de, prova, prova de, ensaio, ensaio de, método, método de",
)
YES_NO: Catalogue = {
    "yes": (
        "ja, j, wahr, richtig, korrekt",
        "oui, vrai, juste",
        "sí, si, verdadero, correcto, correcta, acierto",
        "sì, si, vero, corretto, corretta, esatto, giusto",
        "sim, verdadeiro, correto, correta, certo, certa",
    ),
    "no": (
        "nein, falsch, nicht richtig",
        "non, faux, incorrecte",
        "falso, incorrecto, incorrecta",
        "falso, sbagliato, errato, scorretto",
        "não, falso, errado, errada, incorreto, incorreta",
    ),
}
NO_ANSWER = (
    "keine Antwort, k. A., keine Angabe, weiß nicht, ich weiß nicht",
    "sans réponse, pas de réponse, ne sais pas, je ne sais pas",
    "sin respuesta, no contesta, no sé, no lo sé",
    "nessuna risposta, non so, non lo so",
    "sem resposta, não respondeu, não sei",
)
ABSENT = (  # the taster was not there
    "abwesend, nicht erschienen, nicht gekommen, nicht da, nicht anwesend, abgesagt",
    "absent, absente, pas venu, pas venue, non venu, non venue, non présent, non présente",
    "ausente, no vino, no asistió, no se presentó",
    "assente, non venuto, non venuta, non presente, non si è presentato, non si è presentata",
    "ausente, não veio, não compareceu",
)
BLIND: Catalogue = {
    "double": (
        "doppelt, doppelblind",
        "double aveugle, en double aveugle",
        "doble, doble ciego",
        "doppio, doppio cieco",
        "duplo, duplo cego, duplo-cego",
    ),
    "single": (
        "einfach, einfachblind",
        "simple aveugle, en simple aveugle",
        "simple ciego",
        "singolo cieco",
        "simples cego, simples-cego",
    ),
    "none": (
        "nicht verblindet, offen, unverblindet, nein",
        "sans aveugle, ouvert, non",
        "abierto, no ciego",
        "aperto, non cieco, no",
        "aberto, não cego, não",
    ),
}


def folded(word: object) -> str:
    """A word without what people write in different ways: case, spaces, marks between words, accents, apostrophes.

    Examples
    --------
    >>> folded("Réponses  exactes"), folded("Nombre d'essais"), folded("Prüf-Person"), folded("nº de catas")
    ('reponsesexactes', 'nombredessais', 'prufperson', 'nodecatas')
    """
    return _folded(str(word))


@lru_cache(maxsize=65_536)
def _folded(word: str) -> str:
    word = plain(word)
    if word.isascii() and word.isalnum():
        return word
    apart = unicodedata.normalize("NFKD", word.replace("°", "o"))
    return "".join(c for c in apart if not unicodedata.combining(c)).translate(_DROPPED)


_DROPPED = {ord(c): None for c in "'’`´. _-"}
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})


def _spellings(words: str) -> Iterable[str]:
    """Each word of a line, folded, also with ae for ä."""
    for word in words.split(", "):
        yield folded(word)
        yield folded(word.lower().translate(_UMLAUTS))


def by_word(catalogue: Mapping[str, tuple[str, ...]]) -> dict[str, dict[str, tuple[str, ...]]]:
    """Folded word -> what it means -> the languages in which it does.

    Examples
    --------
    >>> by_word({"yes": ("ja", "oui", "sí", "sì", "sim")})["si"]
    {'yes': ('Spanish', 'Italian')}
    """
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for meaning, lines in catalogue.items():
        for language, words in zip(LANGUAGES, lines, strict=True):
            for word in _spellings(words):
                tongues = found.setdefault(word, {}).get(meaning, ())
                if language not in tongues:
                    found[word][meaning] = (*tongues, language)
    return found


_HEADERS = MappingProxyType(by_word(HEADERS))
_ASKED = {word: columns for words, columns in ASKED.items() for word in _spellings(words)}
_COUNTING = sorted({prefix for line in COUNTING for prefix in _spellings(line)}, key=len, reverse=True)
_PROTOCOLS = MappingProxyType(by_word(PROTOCOLS))
_TESTS = tuple(sorted({word for line in TESTS for word in _spellings(line)}, key=len, reverse=True))


def columns_called(header: object) -> dict[str, tuple[str, ...]]:
    """The columns that a header names in another language, and the languages; none for a word that could be two.

    Examples
    --------
    >>> columns_called("Richtige Antworten"), columns_called("Anzahl Verkoster")["tasters"]
    ({'correct': ('German',)}, ('German',))
    >>> columns_called("Anzahl"), columns_called("weeks")
    ({}, {})
    """
    word = folded(header)
    if word in _ASKED:
        return {}
    if word in _HEADERS:
        return dict(_HEADERS[word])
    for prefix in _COUNTING:
        rest = word.removeprefix(prefix)
        if rest != word and rest in _HEADERS:
            return {
                name: tongues for name, tongues in _HEADERS[rest].items() if name in ("tastings", "correct", "tasters")
            }
    return {}


def asked_of(header: object) -> tuple[str, ...]:
    """The columns that a header could be, if it is a word that could be more than one.

    Examples
    --------
    >>> asked_of("Anzahl")
    ('tastings', 'tasters')
    """
    return _ASKED.get(folded(header), ())


def protocol_called(name: object) -> tuple[str, tuple[str, ...]] | None:
    """Our name for a protocol that is written in another language, and the languages; None if it is none.

    Examples
    --------
    >>> protocol_called("Dreieckstest"), protocol_called("Essai triangulaire")
    (('triangle', ('German',)), ('triangle', ('French',)))
    >>> protocol_called("prueba triangular")[0], protocol_called("quartet") is None
    ('triangle', True)
    """
    word = folded(name)
    for key in dict.fromkeys([word, *(word.removeprefix(t) for t in _TESTS), *(word.removesuffix(t) for t in _TESTS)]):
        if key in _PROTOCOLS:
            ((meaning, tongues),) = _PROTOCOLS[key].items()
            return meaning, tongues
    return None


def with_our_protocol(words: Sequence[str]) -> tuple[list[str], str]:
    """Words with the first protocol of another language among them by our name, and a note; as they are if none is.

    Words that name a protocol here already are left alone.

    Examples
    --------
    >>> with_our_protocol(["0.2", "Dreieckstest", "panels.csv"])
    (['0.2', 'triangle', 'panels.csv'], "'Dreieckstest' was read as triangle (German).")
    >>> with_our_protocol(["0.2", "triangle"])
    (['0.2', 'triangle'], '')
    """
    words = list(words)
    for start in range(len(words)):
        for end in range(len(words), start, -1):
            named = " ".join(words[start:end])
            if _is_ours(named):
                return words, ""
            called = protocol_called(named)
            if called is not None:
                note = f"{named!r} was read as {called[0]} ({of_languages(called[1])})."
                return [*words[:start], called[0], *words[end:]], note
    return words, ""


def _is_ours(name: str) -> bool:
    try:
        protocol(name)
    except ValueError:
        return False
    return True


def of_languages(tongues: Iterable[str]) -> str:
    """The languages of a word, for a note.

    Examples
    --------
    >>> of_languages(("Spanish", "Portuguese"))
    'Spanish or Portuguese'
    """
    return " or ".join(tongues)


ABSENTS = frozenset(word for line in ABSENT for word in _spellings(line))
NO_ANSWERS = ABSENTS | frozenset(word for line in NO_ANSWER for word in _spellings(line))


def is_nobody(cell: object) -> bool:
    """Does a cell say, in English or in another language, that the taster was not there?

    Examples
    --------
    >>> is_nobody("Did not come."), is_nobody("nicht erschienen"), is_nobody("spilled")
    (True, True, False)
    """
    if not isinstance(cell, str):
        return False
    word = worded(cell)
    return word in NOBODY or folded(word) in ABSENTS


def is_no_answer(cell: object) -> bool:
    """Does a cell say in another language that there was no answer?"""
    return folded(tidy(cell)) in NO_ANSWERS

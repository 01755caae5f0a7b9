"""Where a pool departs from its question card, at the very edge of what the card says."""

import metasense as ms
from metasense.card import Card

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


def departures(**columns):
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [11, 13]} | columns
    return " ".join(ms.pool(table, card=CARD).departures)


def test_a_panel_of_the_day_of_the_card_came_after_it_and_one_of_the_day_before_did_not():
    assert "tasted before that" not in departures(date=["2025-03-01", "2025-03-02"])
    assert "tasted before that: A" in departures(date=["2025-02-28", "2025-03-01"])


def test_one_look_more_than_the_card_allows_is_said():
    assert "looked at more often" not in departures(looks=[1, 1])
    said = departures(looks=[1, 2])
    assert "looked at more often: B (2 looks)" in said

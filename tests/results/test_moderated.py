"""A pool with moderators says its columns in words, wherever it says them."""

import re

import pytest
from matplotlib.figure import Figure

import metasense as ms
from metasense.cli import main

TABLE = {
    "panel": list("ABCDEF"),
    "protocol": "tetrad",
    "tastings": 40,
    "correct": [13, 15, 18, 22, 27, 31],
    "weeks_bottled": [1, 2, 4, 6, 8, 10],
    "cellar_temp": [11, 12, 12, 14, 15, 16],
}
MARGIN = ms.Margin(d_prime=1)
SAID = {"names": {"weeks_bottled": "time in the bottle"}, "units": {"weeks_bottled": "weeks"}}


def said(pooled, tmp_path):
    """Everything that is read: answer, details, statements, figures, the page and a prediction."""
    page = pooled.report(tmp_path / "page.html").read_text(encoding="utf-8")
    drawn = [pooled.plot(ax=Figure()), pooled.plot_strip(ax=Figure())]
    return {
        "answer": repr(pooled),
        "details": str(pooled.details()),
        "cell": pooled._repr_html_(),
        "statements": " ".join(pooled.statement(length=length) for length in ("line", "paragraph", "methods")),
        "page": re.sub(r"<dl.*?</dl>", "", page, flags=re.S),
        "prediction": str(pooled.at(weeks_bottled=12)),
        "figures": " ".join(text.get_text() for axes in drawn for text in axes.figure.findobj(lambda a: hasattr(a, "get_text"))),
    }  # fmt: skip


@pytest.mark.lab
@pytest.mark.parametrize("given", [SAID, {}], ids=["named", "read off the heading"])
def test_no_heading_stands_where_people_read(given, tmp_path):
    name = "time in the bottle" if given else "weeks bottled"
    for where, text in said(ms.pool(TABLE, moderators="weeks_bottled", margin=MARGIN, **given), tmp_path).items():
        assert "weeks_bottled" not in text, where
        assert name in text, where
        if where not in ("answer", "figures", "prediction"):  # in these it is no subject
            assert "cellar temp" in text, where


def test_a_unit_stands_with_every_value(tmp_path):
    pooled = ms.pool(TABLE, moderators="weeks_bottled", margin=MARGIN, **SAID)
    answer = " ".join(repr(pooled).split())
    assert "Within the margin with time in the bottle at 1 week: of" in answer
    assert "beyond the margin at 10 weeks: about" in answer
    assert "time in the bottle 10 weeks" in said(pooled, tmp_path)["figures"]
    assert "time in the bottle (weeks)" in pooled.plot(ax=Figure()).get_xlabel()
    assert "No panel had time in the bottle above 10 weeks" in pooled.at(weeks_bottled=12).sentence()


def test_frames_keep_the_headings():
    pooled = ms.pool(TABLE, moderators="weeks_bottled", margin=MARGIN, **SAID)
    plain = ms.pool(TABLE, moderators="weeks_bottled", margin=MARGIN)
    assert pooled.to_frame().equals(plain.to_frame())
    assert pooled.corners.equals(plain.corners)


@pytest.mark.lab
@pytest.mark.parametrize("kind", [{"moderators": "weeks_bottled"}, {}], ids=["moderated", "plain"])
def test_a_saved_pool_keeps_what_columns_are_called(kind, tmp_path):
    pooled = ms.pool(TABLE, margin=MARGIN, **kind, **SAID)
    again = ms.load(pooled.save(tmp_path / "pool.nc"))
    assert repr(again) == repr(pooled)
    assert again.core.called == pooled.core.called
    assert ms.rerun(tmp_path / "pool.nc").same


def test_a_level_is_said_in_the_words_given():
    table = TABLE | {"batch_pair": list("PPQQRR")}
    nested = ms.pool(table, within="batch_pair", margin=MARGIN, names={"batch_pair": "pressing"})
    assert "over 3 pressings, " in " ".join(repr(nested).split())
    assert "batch" not in str(nested.details()).replace("batch pair:", "")
    assert nested.to_frame()["quantity"][1] == "next panel d-prime, new batch pair"


def test_a_name_of_no_column_is_refused():
    with pytest.raises(ValueError, match=r"no column 'week' to give a name; there is .*weeks_bottled"):
        ms.pool(TABLE, names={"week": "time"})


def test_the_terminal_takes_names_and_units(tmp_path, capsys):
    path = tmp_path / "panels.csv"
    ms.read_panels(TABLE).frame.dropna(axis=1, how="all").to_csv(path, index=False)
    words = ["pool", str(path), "--margin", "d'=1", "--moderator", "weeks_bottled"]
    main([*words, "--name", "weeks_bottled=time in the bottle", "--unit", "weeks_bottled=weeks",
          "--save", str(tmp_path / "kept.nc")])  # fmt: skip
    shown = " ".join(capsys.readouterr().out.split())
    assert "with time in the bottle at 1 week: of" in shown
    main(["show", str(tmp_path / "kept.nc")])
    assert "with time in the bottle at 1 week: of" in " ".join(capsys.readouterr().out.split())
    assert main([*words, "--name", "weeks_bottled"]) == 2
    assert "as in --name" in capsys.readouterr().err

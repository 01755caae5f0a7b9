"""Saved pools: what is written comes back, anything else is refused by name, and a rerun compares.

The layout of a file is that of the NetCDF Classic Format Specification (Unidata; OGC 10-092r3); netCDF4 and SciPy read
it beside our own reader. The stored files of the first format are HDF5, as the first metasense wrote them.
"""

import dataclasses
import hashlib
import json
import os
import pickle
import re
import shutil
import subprocess
import sys
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from faults import run, saved_pools

import metasense as ms
from metasense.cli import main
from metasense.core.draws import draws_of
from metasense.results import archive, container, older, vetting
from metasense.results.archive import ArchiveError
from metasense.results.pooled import Pooled

DATA = Path(__file__).parents[1] / "data"
MARGIN = ms.Margin(p_d=0.2, protocol="triangle")
ODD = {
    "panel": ["=1+1", "caf\u00e9 \u2603", "a  b ", "C"],
    "protocol": ["triangle", "duo-trio", "A-not-A", "2-AFC"],
    "tastings": [24, 30, None, 28],
    "correct": [9, 19, None, 17],
    "signal": [None, None, 20, None],
    "hits": [None, None, 12, None],
    "noise": [None, None, 20, None],
    "false_alarms": [None, None, 7, None],
    "tasters": [24, 30, None, 28],
    "date": ["2025-03-08", None, "2025-04-11", "2025-05-09"],
    "reported": ["yes", "no", None, "yes"],
    "notes": ["spilled <b>one</b>", None, "\u202edrow", "'quoted', \"twice\""],
    "odd name/with slash": ["x", "", None, "y"],
    "weeks stored": [1.5, 2, None, 1e-300],
}


@pytest.fixture(scope="module")
def cider():
    tastings = ms.read_tastings("datasets/cider_tastings.csv")
    return ms.pool("datasets/cider_fining.csv", tastings=tastings, margin=MARGIN, draws=200)


@pytest.fixture(scope="module")
def written(cider, tmp_path_factory):
    """Saved once for all; nobody changes it."""
    return cider.save(tmp_path_factory.mktemp("saved") / "cider.nc")


@pytest.fixture
def saved(written, tmp_path):
    """A copy that may be spoilt."""
    return Path(shutil.copy(written, tmp_path))


def same(a, b):
    """Two pools answer the same, digit for digit."""
    pd.testing.assert_frame_equal(a.to_frame(), b.to_frame(), check_exact=True)
    pd.testing.assert_frame_equal(a.panels_frame(), b.panels_frame(), check_exact=True)
    pd.testing.assert_frame_equal(a.panels.frame, b.panels.frame)
    assert a.panels.fingerprint == b.panels.fingerprint and a.panels.notes == b.panels.notes
    assert a.panels.source == b.panels.source
    xr.testing.assert_identical(a.draws, b.draws)
    assert (a.margin, a.priors, a.settings, a.advice, a.card) == (b.margin, b.priors, b.settings, b.advice, b.card)
    assert repr(a) == repr(b) and a.statement() == b.statement()


# --- what comes back --------------------------------------------------------------------------------------------------


def test_a_loaded_pool_answers_as_the_saved_one(cider, saved):
    again = ms.load(saved)
    same(cider, again)
    pd.testing.assert_frame_equal(cider.tastings.frame, again.tastings.frame)
    assert again.tastings.fingerprint == cider.tastings.fingerprint
    assert again.next_panel("triangle", 24).sentence() == cider.next_panel("triangle", 24).sentence()


@pytest.mark.parametrize("name", [pytest.param("bakery_salt", marks=pytest.mark.slow), "coffee_bags"])
def test_every_demo_comes_back(name, tmp_path):
    pooled = ms.pool(f"datasets/{name}.csv", draws=50, margin=ms.Margin(d_prime=0.5))
    same(pooled, ms.load(pooled.save(tmp_path / f"{name}.nc")))


def test_odd_names_missing_cells_and_every_kind_of_column_come_back(tmp_path):
    pooled = ms.pool(ODD, priors=ms.Priors(centre_scale=1.0), draws=50, chains=2, seed=7)
    same(pooled, ms.load(pooled.save(tmp_path / "f\u00fcr \u2603 & co.nc")))


def test_a_word_that_netcdf_cannot_hold_comes_back(tmp_path):
    words = ["a\0b", "b\u0085", "\u0001", "D"]
    frame = ms.read_panels(ODD).frame.assign(notes=pd.array(words, dtype="string"))
    pooled = ms.pool(ms.Panels(frame, "an odd\0source", ("note \0 \u0007",)), draws=50)
    again = ms.load(pooled.save(tmp_path / "odd.nc"))
    assert again.panels.frame["notes"].tolist() == words
    assert again.panels.source == "an odd\0source"


def test_words_of_very_uneven_length_take_little_room():
    words = ["x" * 1_000_000, *("y" for _ in range(10_000))]
    variable = container.of_words("notes", "row", words, {})
    assert variable.values.nbytes < 1_100_000
    assert container.to_words(variable) == words


def test_the_question_card_comes_back_with_its_seal(tmp_path):
    card = ms.Card(
        question="Does anyone notice?",
        decision="Switch if within.",
        margin=MARGIN,
        protocols="triangle",
        tastings=24,
        date="2025-01-01",
    )
    for kept in (card, dataclasses.replace(card, edited=True)):
        pooled = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [9]}, card=kept)
        again = ms.load(pooled.save(tmp_path / "card.nc"))
        assert again.card == card and again.card.edited == kept.edited
        assert again.notes == pooled.notes


def test_many_panels_and_long_notes_come_back(tmp_path):
    n = 1000
    table = {
        "panel": [f"P{i}" for i in range(n)],
        "protocol": "triangle",
        "tastings": 24,
        "correct": [i % 25 for i in range(n)],
    }
    panels = ms.read_panels(table)
    pooled = ms.pool(dataclasses.replace(panels, notes=("x" * 200_000,)), draws=25)
    again = ms.load(pooled.save(tmp_path / "many.nc"))
    assert again.panels.notes[0] == "x" * 200_000
    assert again.panels.fingerprint == pooled.panels.fingerprint


@pytest.mark.parametrize("engine", ["netcdf4", "scipy"])
def test_another_program_can_read_it(engine, saved, cider):
    with xr.open_dataset(saved, engine=engine) as file:
        assert np.array_equal(file["draws_average"], cider.draws["average"])
        assert np.array_equal(
            file["draws_d_prime"].sel(draws_panel=cider.panels.frame["panel"][0]), cider.draws["d_prime"][..., 0]
        )
        assert file["panels_tastings"].to_numpy().tolist() == cider.panels.frame["tastings"].tolist()
        assert file["panels_panel"].to_numpy().tolist() == cider.panels.frame["panel"].tolist()
        assert file["panels_date"].to_numpy().astype("datetime64[s]").tolist() == cider.panels.frame["date"].tolist()
        assert json.loads(file.attrs["margin"]) == "0.2 triangle"
        assert json.loads(file.attrs["settings"])["seed"] == 1
        assert set(json.loads(file.attrs["versions"])) >= {"Python", "metasense", "numpy", "scipy", "pandas"}


def test_the_same_pool_is_the_same_file(cider, tmp_path):
    one, two = (cider.save(tmp_path / name).read_bytes() for name in ("one.nc", "two.nc"))
    assert one == two


def test_a_file_ends_in_the_sum_of_all_its_other_bytes(saved):
    data = saved.read_bytes()
    assert hashlib.sha256(data[:-64]).hexdigest() == data[-64:].decode()
    with netCDF4.Dataset(saved) as file:
        assert netCDF4.chartostring(file.variables["contents_sha256"][:]).item() == data[-64:].decode()


# --- a sampled pool, and both generations -----------------------------------------------------------------------------

GENERATIONS = sorted(DATA.glob("saved_*.nc"))


def test_there_is_a_file_of_each_generation():
    pymc = {path.name: archive.read(path).record["versions"].get("pymc", "") for path in GENERATIONS}
    assert {name: version.split(".")[0] for name, version in pymc.items()} == {
        "saved_grid_python311.nc": "",
        "saved_grid_python313.nc": "",
        "saved_pymc5.nc": "5",
        "saved_pymc6.nc": "6",
    }
    assert all(path.stat().st_size < 100_000 for path in GENERATIONS)


@pytest.mark.parametrize("path", GENERATIONS, ids=lambda path: path.stem)
def test_a_file_of_either_generation_is_read_and_answers_as_stored(path):
    pooled, stored = ms.load(path), archive.read(path)
    now = pooled.to_frame()
    rough = now["quantity"].str.startswith(("p_c", "p_d", "spread"))  # these were less exact then
    pd.testing.assert_frame_equal(now[~rough], stored.answer[~rough], rtol=0, atol=5e-6)
    pd.testing.assert_frame_equal(now[rough], stored.answer[rough], rtol=0, atol=5e-3)
    xr.testing.assert_identical(pooled.draws, stored.draws)
    assert pooled.verdict().label == stored.record["verdict"]["verdict"]
    assert pooled.settings["method"] == ("mcmc" if "pymc" in path.stem else "grid")


@pytest.mark.parametrize("path", [p for p in GENERATIONS if "grid" in p.stem], ids=lambda path: path.stem)
def test_an_integrated_file_of_either_generation_comes_out_again(path):
    assert ms.rerun(path).same


@pytest.mark.mcmc
@pytest.mark.slow
@pytest.mark.parametrize("path", [p for p in GENERATIONS if "pymc" in p.stem], ids=lambda path: path.stem)
def test_a_sampled_file_of_either_generation_comes_out_again(path):
    assert ms.rerun(path).same


@pytest.mark.lab
def test_loading_a_sampled_pool_needs_no_pymc():
    code = (
        "import sys; sys.modules.update(dict.fromkeys(('pymc', 'pytensor', 'arviz', 'arviz_stats', 'arviz_base')))\n"
        f"import metasense as ms; p = ms.load({str(DATA / 'saved_pymc5.nc')!r})\n"
        "print(p.draws.sizes['chain'], p.verdict().label, len(p.statement()) > 100)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split()[0] == "2"


def test_draws_of_a_sampled_pool_keep_their_chains_and_order():
    # with repeats the draws are computed overdispersion by overdispersion; they must come out in the sampler's order
    for path in (DATA / "saved_pymc5.nc", DATA / "saved_pymc6.nc"):
        pooled = ms.load(path)
        assert len(pooled.posterior.patches) > 1
        fresh = draws_of(dataclasses.replace(pooled.core))
        assert np.array_equal(fresh["spread"], pooled.sample["tau"])
        assert np.array_equal(fresh["centre"], pooled.sample["mu"])
        assert fresh["average"].sizes == {"chain": 2, "draw": 150}
        np.testing.assert_allclose(fresh["d_prime"], pooled.draws["d_prime"], rtol=1e-6, atol=1e-9)


def test_a_sample_too_large_to_export_is_thinned_evenly(monkeypatch):
    pooled = ms.load(DATA / "saved_pymc5.nc")
    monkeypatch.setattr("metasense.core.draws.MOST_DRAWS", 50 * 2 * len(pooled.panels))
    draws = draws_of(dataclasses.replace(pooled.core))
    assert draws.sizes["draw"] == 50
    assert np.isin(draws["spread"], pooled.sample["tau"]).all()


# --- what is refused --------------------------------------------------------------------------------------------------


def refused(path, match):
    with pytest.raises(ArchiveError, match=match) as caught:
        ms.load(path)
    assert Path(path).name in str(caught.value)
    assert isinstance(caught.value, ValueError)


@pytest.mark.parametrize("share", [0.0, 0.001, 0.1, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_refused(share, saved):
    data = saved.read_bytes()
    saved.write_bytes(data[: int(share * len(data))])
    refused(saved, "an empty file" if share == 0 else "is cut short")


def test_one_byte_less_is_cut_short(saved):
    saved.write_bytes(saved.read_bytes()[:-1])
    refused(saved, "is cut short")


def test_a_changed_byte_is_noticed_before_anything_else_is_read(saved, monkeypatch):
    data = bytearray(saved.read_bytes())
    monkeypatch.setattr(container.np, "frombuffer", None)  # nothing can be read
    for place in np.random.default_rng(1).integers(len(data), size=200):
        damaged = data.copy()
        damaged[place] ^= 1 << int(place) % 8
        saved.write_bytes(damaged)
        with pytest.raises(ArchiveError):
            archive.read(saved)


def test_damage_of_every_kind_is_refused_or_does_none(tmp_path):
    for path in (DATA / "saved_grid_python313.nc", ms.load(DATA / "saved_grid_python313.nc").save(tmp_path / "new.nc")):
        found = saved_pools.damaged(tmp_path, path, sectors=2, others=4)
        assert found.tried >= 4
        assert found.harmless == 0 or "saved_grid" in path.name


@pytest.mark.slow
@pytest.mark.timeout(3600)  # ends what hangs; how quick it is, the run prints
@pytest.mark.parametrize("name", saved_pools.CHECKS)
def test_every_damage_and_hostile_file_is_refused_or_does_none(name, tmp_path):
    check, _ = saved_pools.CHECKS[name]
    cases, refused = check(tmp_path)
    print(saved_pools.most_memory())
    assert cases > 70
    assert cases == refused or name == "damaged pools of 0.1"  # in which some bytes mean nothing


@pytest.mark.lab
@pytest.mark.parametrize("name", saved_pools.CHECKS)
def test_the_long_run_of_faults_tries_saved_pools(name, tmp_path):
    check, small = saved_pools.CHECKS[name]
    assert run.CHECKS[name] == (check, small)
    cases, refused = check(tmp_path, **small)
    assert 0 < refused <= cases


@pytest.mark.parametrize(
    "structure",
    [
        {"moderators": ["absent"]},
        {"moderators": ["weeks", "absent"]},
        {"moderators": ["weeks"], "through_zero": ["absent"]},
        {"moderators": ["weeks"], "within": "absent"},
        {"moderators": [], "within": "absent"},
        {"within": "absent"},
        {"through_zero": ["weeks"], "within": "batch_pair"},
    ],
    ids=str,
)
def test_moderators_that_the_table_has_not_are_refused_before_anything_is_integrated(structure, tmp_path, monkeypatch):
    about, variables = container.unpack(saved_pools.today(DATA / "saved_grid_python313.nc"))
    about["structure"] = json.dumps(structure)
    path = tmp_path / "structure.nc"
    path.write_bytes(container.pack(about, variables))
    monkeypatch.setattr("metasense.engine.grid.integrate", None)  # nothing can be integrated
    refused(path, "is not a pool that can have been saved")


# --- what is too large to be loaded is not saved ----------------------------------------------------------------------


def test_a_pool_of_more_words_than_can_be_loaded_is_not_saved(cider, saved, monkeypatch):
    old = saved.read_bytes()
    monkeypatch.setattr(vetting, "MOST_WORDS", 5)
    with pytest.raises(ValueError, match=r"cannot be saved.* words, and a file holds at most 5\. Pool fewer"):
        cider.save(saved)
    assert saved.read_bytes() == old
    refused(saved, "words, and a file holds at most 5")


def test_a_file_larger_than_any_saved_pool_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "huge.nc"
    with open(path, "wb") as file:
        file.write(container.MAGIC)
        file.truncate(2**40)  # without a byte on the disk; no memory could hold it
    with pytest.raises(ArchiveError, match=r"huge\.nc' is too large: a saved pool holds at most 200,000,000 bytes\."):
        ms.load(path)


def test_a_pool_of_as_many_bytes_as_are_allowed_comes_back_and_one_byte_more_is_neither_saved_nor_loaded(
    cider, saved, tmp_path, monkeypatch
):
    size = saved.stat().st_size
    monkeypatch.setattr(container, "MOST_BYTES", size)
    assert ms.load(cider.save(tmp_path / "other.nc"))
    monkeypatch.setattr(container, "MOST_BYTES", size - 1)
    refused(saved, "is too large")
    with pytest.raises(ValueError, match=rf"cannot be saved.* takes {size:,} bytes, and a file holds at most"):
        cider.save(tmp_path / "third.nc")
    assert not (tmp_path / "third.nc").exists()


def test_of_a_file_that_does_not_tell_its_size_no_more_is_read_than_a_pool_holds(saved, monkeypatch):
    told = os.stat(saved)
    monkeypatch.setattr(container, "MOST_BYTES", told.st_size - 1)
    monkeypatch.setattr(os, "stat", lambda path, **_: os.stat_result([*told[:6], 0, *told[7:]]))
    refused(saved, "is too large")


def test_a_pool_of_more_columns_than_can_be_loaded_is_not_saved(cider, tmp_path, monkeypatch):
    about, variables = container.unpack(cider.save(tmp_path / "whole.nc").read_bytes())
    count = container.entries(about, variables)
    monkeypatch.setattr(container, "MOST_ENTRIES", count)
    assert archive.read(tmp_path / "whole.nc")  # no more are counted than there are
    monkeypatch.setattr(container, "MOST_ENTRIES", count - 1)
    refused(tmp_path / "whole.nc", "too long a list")
    monkeypatch.setattr(vetting, "MOST_ENTRIES", count - 1)
    with pytest.raises(ValueError, match=rf"cannot be saved.* take {count:,} entries"):
        cider.save(tmp_path / "other.nc")
    assert not (tmp_path / "other.nc").exists()


def test_a_card_or_a_name_too_long_to_be_loaded_is_not_saved(cider, tmp_path, monkeypatch):
    card = ms.Card(
        question="Does fining change the taste?",
        decision="fine all of it",
        margin=MARGIN,
        protocols=["triangle"],
        tastings=24,
        date="2026-01-09",
    )
    monkeypatch.setattr(vetting, "MOST_CARD", 20)
    with pytest.raises(ValueError, match=r"cannot be saved.*question card is longer than 20 characters"):
        changed(cider, card=card).save(tmp_path / "card.nc")
    monkeypatch.undo()
    monkeypatch.setattr(vetting, "SPARE", 100)
    names = ["A" * 1000, *"BCDEFGHIJKLMNOPQRST"]
    uneven = ms.pool({"panel": names, "protocol": "triangle", "tastings": 24, "correct": 12}, draws=10)
    with pytest.raises(ValueError, match=r"cannot be saved.*names is far too long"):
        uneven.save(tmp_path / "name.nc")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", [{}, {"moderators": "weeks_stored"}, {"within": "batch_pair"}], ids=str)
@pytest.mark.parametrize("name", ["save", "report"])
def test_the_place_is_looked_at_before_the_work(kind, name, tmp_path, monkeypatch):
    result = ms.pool("datasets/coffee_bags.csv", draws=50, **kind)
    for what in ("verdict", "to_frame", "plot", "_forest", "_curve", "_shown"):
        monkeypatch.setattr(type(result), what, None, raising=False)  # no work can be done
    other = tmp_path / ("mine.nc" if name == "save" else "mine.html")
    other.write_text("mine")
    with pytest.raises(FileExistsError, match="the file there is not"):
        getattr(result, name)(other)
    with pytest.raises(FileNotFoundError, match="there is no folder"):
        getattr(result, name)(tmp_path / "absent" / "file")
    assert other.read_text() == "mine"


@pytest.mark.lab
@pytest.mark.parametrize("name", saved_pools.HOSTILE)
def test_a_hostile_file_with_a_right_sum_is_refused(name, tmp_path):
    about, variables = container.unpack(saved_pools.today(DATA / "saved_grid_python313.nc"))
    saved_pools.HOSTILE[name](about, variables)
    path = tmp_path / "hostile.nc"
    path.write_bytes(container.pack(about, variables))
    refused(path, "is not a pool that can have been saved|does not hold one pool|is a netCDF file, but not")


@pytest.mark.parametrize("name", saved_pools.HOSTILE_HDF5)
def test_a_hostile_file_of_the_first_format_is_refused(name, tmp_path):
    path = tmp_path / "hostile.nc"
    saved_pools.HOSTILE_HDF5[name](path)
    refused(path, "asks for far more|is damaged|but not a pool saved by metasense|do not have its sum")


def test_a_file_cannot_ask_for_more_than_its_own_length(saved):
    data = bytearray(saved.read_bytes())
    place = data.index(b"draws_draw") + 12  # the length of the axis stands after its padded name
    data[place : place + 4] = (2**31 - 1).to_bytes(4, "big")
    data[-64:] = hashlib.sha256(data[:-64]).hexdigest().encode()
    saved.write_bytes(data)
    refused(saved, "has the right sum but is no pool")


def test_what_cannot_be_started_is_said(monkeypatch):
    monkeypatch.setattr(older.sys, "executable", "/nowhere/python")
    refused(DATA / "saved_pymc5.nc", "process of its own, which cannot be started here")


def test_a_process_that_does_not_end_is_ended(monkeypatch):
    monkeypatch.setattr(older, "PATIENCE", 0.5)
    monkeypatch.setattr(older, "_START", "import time; time.sleep(60)")
    refused(DATA / "saved_pymc5.nc", "is damaged")


def test_other_netcdf_and_hdf5_files_are_refused(tmp_path):
    path = tmp_path / "other.nc"
    xr.Dataset({"x": ("row", [1, 2])}).to_netcdf(path, engine="netcdf4")
    refused(path, "but not a pool saved by metasense")
    xr.Dataset({"x": ("row", [1, 2])}).to_netcdf(path, engine="scipy")
    refused(path, "is a netCDF file, but not a pool saved by metasense")


def test_tables_pickles_and_anything_else_are_refused_by_what_they_are(tmp_path):
    path = tmp_path / "panels.csv"
    path.write_text("panel,protocol,tastings,correct\nA,triangle,24,9\n")
    refused(path, "a text file.*ms.read_panels")
    path = tmp_path / "pool.pkl"
    path.write_bytes(pickle.dumps({"a": 1}))
    refused(path, "a Python pickle, which can run code")
    path = tmp_path / "book.xlsx"
    pd.DataFrame({"a": [1]}).to_excel(path)
    refused(path, "a workbook.*ms.read_panels")
    path = tmp_path / "noise.nc"
    path.write_bytes(np.random.default_rng(1).bytes(4000))
    refused(path, "a file of another kind")
    path = tmp_path / "page.html"
    path.write_text("<!doctype html>")
    refused(path, "a text file")


def test_no_pickle_is_ever_opened(tmp_path):
    class Trap:
        def __reduce__(self):
            return os.mkdir, (str(tmp_path / "sprung"),)

    path = tmp_path / "trap.nc"
    path.write_bytes(pickle.dumps(Trap()))
    refused(path, "pickle")
    assert not (tmp_path / "sprung").exists()


def test_a_later_format_is_refused_with_a_remedy(cider, tmp_path, monkeypatch):
    monkeypatch.setattr(archive, "FORMAT", archive.FORMAT + 1)
    monkeypatch.setattr(archive, "version", lambda name: "9.9.0")
    path = cider.save(tmp_path / "later.nc")
    monkeypatch.undo()
    refused(path, r"saved by metasense 9\.9\.0 in format 3.*--upgrade metasense")


@pytest.mark.parametrize("part", ["margin", "priors", "settings", "evidences", "advice", "card"])
def test_a_part_that_is_missing_is_refused(part, cider, saved, tmp_path):
    stored = archive.read(saved)
    record = {name: value for name, value in stored.record.items() if name != part}
    refused(
        dataclasses.replace(stored, record=record).write(tmp_path / "part.nc"), "is not a pool that can have been saved"
    )
    record[part] = {"advice": None}.get(part, "nonsense")
    refused(
        dataclasses.replace(stored, record=record).write(tmp_path / "part.nc"), "is not a pool that can have been saved"
    )


def test_a_missing_file_a_folder_and_one_that_may_not_be_read_are_said_plainly(tmp_path, monkeypatch):
    with pytest.raises(FileNotFoundError, match=r"there is no file .*absent\.nc"):
        ms.load(tmp_path / "absent.nc")
    with pytest.raises(IsADirectoryError, match="is a folder"):
        ms.load(tmp_path)
    path = tmp_path / "locked.nc"
    path.write_bytes(b"x")
    monkeypatch.setattr(archive, "open", failing(13, "Permission denied"), raising=False)
    with pytest.raises(PermissionError, match=r"locked\.nc.* may not be read"):
        ms.load(path)


# --- writing whole or not at all --------------------------------------------------------------------------------------


def failing(number, strerror):
    def fail(*_, **__):
        raise OSError(number, strerror)

    return fail


@pytest.mark.parametrize(
    ("where", "number", "says"),
    [
        ("pathlib.Path.write_bytes", 28, "the disk is full"),
        ("os.replace", 28, "the disk is full"),
        ("pathlib.Path.write_bytes", 13, "the folder may not be written to"),
        ("pathlib.Path.write_bytes", 30, "the disk may not be written to"),
        ("os.fsync", 5, "input/output error"),
    ],
)
def test_a_failed_save_leaves_the_old_file_whole_and_says_why(where, number, says, cider, saved, monkeypatch):
    old = saved.read_bytes()
    monkeypatch.setattr(where, failing(number, os.strerror(number)))
    with pytest.raises(OSError, match=says) as caught:
        cider.save(saved)
    monkeypatch.undo()
    assert "cider.nc" in str(caught.value) and ".part" not in str(caught.value)
    assert "as it was" in str(caught.value)
    assert saved.read_bytes() == old
    assert [path.name for path in saved.parent.iterdir()] == ["cider.nc"]


@pytest.mark.lab
def test_a_crash_in_the_middle_of_a_save_leaves_the_old_file_whole(saved):
    old = saved.read_bytes()
    code = (
        "import os, sys, pathlib, metasense as ms\n"
        "def crash(self, data):\n"
        "    with open(self, 'wb') as file: file.write(data[:1000]); file.flush(); os._exit(9)\n"
        "pooled = ms.load(sys.argv[1]); pathlib.Path.write_bytes = crash; pooled.save(sys.argv[1])"
    )
    done = subprocess.run([sys.executable, "-c", code, str(saved)], capture_output=True)
    assert done.returncode == 9
    assert saved.read_bytes() == old
    assert ms.load(saved)


def test_a_missing_folder_is_named(cider, tmp_path):
    with pytest.raises(FileNotFoundError, match=r"there is no folder .*Make it first"):
        cider.save(tmp_path / "absent" / "pool.nc")


# --- working it out again ---------------------------------------------------------------------------------------------


def test_a_rerun_finds_the_stored_numbers(saved, cider):
    result = ms.rerun(saved)
    assert result.same and result.verdicts == ("not settled", "not settled")
    frame = result.to_frame()
    assert set(frame["quantity"]) >= set(cider.to_frame()["quantity"])
    assert (frame["difference"] <= 1e-6 * np.maximum(1, frame["stored"].abs())).all()
    assert "with the same versions of everything" in result.sentence() and "agree" in result.sentence()


def changed(pooled, **parts):
    """The pool as if it had been stored with other parts."""
    return Pooled(dataclasses.replace(pooled.core, **parts))


def test_a_rerun_finds_what_differs(cider, tmp_path):
    wrong = changed(cider, evidences=dataclasses.replace(cider.evidences, same=cider.evidences.same + 1e-3))
    result = ms.rerun(wrong.save(tmp_path / "wrong.nc"))
    frame = result.to_frame()
    assert not result.same and frame.loc[~frame["same"], "quantity"].tolist() == ["log evidence, same"]
    assert "It differs: 1 of" in result.sentence() and "log evidence, same" in result.sentence()


def test_numbers_stored_by_another_prior_are_noticed(cider, tmp_path):
    wrong = changed(cider, priors=ms.Priors(centre_scale=1.4))
    assert not ms.rerun(wrong.save(tmp_path / "wrong.nc")).same


@pytest.mark.mcmc
@pytest.mark.slow
def test_two_samples_agree_within_their_errors_and_a_wrong_one_does_not(tmp_path):
    table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": [24, 30, 28], "correct": [12, 11, 17]}
    pooled = ms.pool(table, margin=MARGIN, method="mcmc", draws=500, chains=2, seed=3)
    integrated = ms.pool(table, margin=MARGIN).average.median
    said = re.search(
        r"average d-prime is ([\d.]+); by integration of the same model it is ([\d.]+)\.", pooled._methods()[2]
    )
    assert [float(said[1]), float(said[2])] == pytest.approx([pooled.average.median, integrated], abs=0.006)
    other = ms.rerun(changed(pooled, settings={**pooled.settings, "seed": 4}).save(tmp_path / "seed.nc"))
    assert other.same, other
    assert (other.frame["difference"] > 1e-9).any()  # another seed, other draws
    exact = ms.pool(table, margin=MARGIN).to_frame().set_index("quantity")["median"]
    rows = other.frame[other.frame["number"] == "median"].set_index("quantity")
    assert ((rows["now"] - exact).abs() <= rows["allowed"]).all()
    table["correct"] = [17, 16, 20]
    wrong = Pooled(dataclasses.replace(pooled.core, panels=ms.read_panels(table)))
    assert not ms.rerun(wrong.save(tmp_path / "wrong.nc")).same


def test_repr_and_html_of_a_rerun_say_the_same(saved):
    result = ms.rerun(saved)
    assert result.sentence() in repr(result)
    assert "worked out again" in result._repr_html_() and "<table" not in result._repr_html_()


def test_the_command_says_it_by_exit_code(cider, saved, tmp_path, capsys):
    assert main(["rerun", str(saved)]) == 0
    assert "All" in capsys.readouterr().out
    wrong = changed(cider, priors=ms.Priors(centre_scale=1.4)).save(tmp_path / "wrong.nc")
    assert main(["rerun", str(wrong)]) == 1
    assert "It differs" in capsys.readouterr().out
    saved.write_bytes(saved.read_bytes()[:5000])
    for path in (saved, tmp_path / "absent.nc", "datasets/cider_fining.csv"):
        assert main(["rerun", str(path)]) == 2
        out, err = capsys.readouterr()
        assert out == "" and err.strip() and "Traceback" not in err


# --- pools with moderators and levels ---------------------------------------------------------------------------------


@pytest.mark.lab
@pytest.mark.parametrize(
    "structure",
    [
        {"moderators": "weeks_stored"},
        {"moderators": "weeks_stored", "through_zero": "weeks_stored"},
        {"moderators": "brew"},
        {"within": "batch_pair"},
    ],
    ids=str,
)
def test_moderators_and_levels_come_back_and_come_out_again(structure, tmp_path):
    panels = ms.read_panels("datasets/coffee_bags.csv")
    if set(structure) != {"moderators"} or structure["moderators"] == "brew":
        panels = panels.without("Week 12 staff")  # repeat tasters, who take many times the work; once is enough
    result = ms.pool(panels, margin=ms.Margin(d_prime=0.5), draws=50, **structure)
    path = result.save(tmp_path / "coffee.nc")
    again = ms.load(path)
    assert type(again) is type(result)
    pd.testing.assert_frame_equal(again.to_frame(), result.to_frame(), check_exact=True)
    assert again.statement() == result.statement()
    compared = ms.rerun(path)
    assert compared.same and set(result.to_frame()["quantity"]) <= set(compared.frame["quantity"])


@pytest.mark.mcmc
@pytest.mark.slow
def test_several_moderators_are_sampled_again_and_not_compared(tmp_path):
    both = ms.pool("datasets/coffee_bags.csv", moderators=["weeks_stored", "brew"], draws=100, chains=2, method="mcmc")
    path = both.save(tmp_path / "both.nc")
    pd.testing.assert_frame_equal(ms.load(path).to_frame(), both.to_frame(), rtol=1e-6)
    with pytest.raises(ValueError, match=r"both\.nc.* holds a pool with moderators that PyMC sampled"):
        ms.rerun(path)


STORED = DATA / "saved_grid_python313.nc"  # in the first format, which is HDF5
SECTOR = 512

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")

LOADS = """
import resource, sys
import metasense as ms
resource.setrlimit(resource.RLIMIT_CPU, (30, 30))
resource.setrlimit(resource.RLIMIT_AS, (2 * 2**30, 2 * 2**30))
for path in sys.argv[1:]:
    try:
        ms.load(path)
    except BaseException as error:
        print(type(error).__name__, flush=True)
    else:
        print("loaded", flush=True)
"""


def loaded(paths):
    """What ``ms.load`` raises for each file, by name, in a process that has 30 s of the processor and 2 GiB."""
    words = [sys.executable, "-c", LOADS, *map(str, paths.values())]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"the process died at file {len(done.stdout.split()) + 1} of {list(paths)}"
    return dict(zip(paths, done.stdout.split(), strict=True))


def zeroed(path, at):
    data = bytearray(STORED.read_bytes())
    data[at : at + SECTOR] = bytes(SECTOR)
    path.write_bytes(data)
    return path


@pytest.mark.lab
def test_a_zeroed_sector_does_not_send_the_reader_round_in_circles(apart):
    assert [apart[f"zeroed at {at}"] for at in ZEROED] == ["ArchiveError"] * 3


@pytest.mark.lab
def test_rerun_is_not_sent_round_in_circles_either(tmp_path):
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_CPU, (30, 30)); "
        "from metasense.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    words = [sys.executable, "-c", code, "rerun", str(zeroed(tmp_path / "zeroed.nc", 5120))]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "is damaged" in done.stderr


def unwritten(path, count):
    """A small file with so many numbers that were never written."""
    with netCDF4.Dataset(path, "w") as file:
        file.setncatts({"title": "Sensory panels, pooled by metasense", "metasense_format": 1, "metasense": "0.1.0"})
        file.contents_sha256 = "0" * 64
        group = file.createGroup("draws")
        group.createDimension("draw", count)
        group.createVariable("average", float, ("draw",), compression="zlib", chunksizes=(10**6,))
    assert path.stat().st_size < 1_000_000
    return path


@pytest.mark.lab
def test_a_small_file_cannot_ask_for_gigabytes(apart):
    assert [apart[f"{count} numbers"] for count in UNWRITTEN] == ["ArchiveError"] * 2


def test_a_group_that_holds_itself_is_refused(apart):
    assert apart["holds itself"] == "ArchiveError"


def stored_but(path, attributes=None, counts=None):
    """The stored file with something changed in it, and with the sum that goes with the change."""
    with netCDF4.Dataset(STORED) as stored, netCDF4.Dataset(path, "w") as file:
        _copy(stored, file, counts or {})
        file.setncatts(attributes or {})
        file.contents_sha256 = _sum(file)
    return path


def _copy(stored, file, counts):
    file.setncatts(stored.__dict__)
    for name, dimension in stored.dimensions.items():
        file.createDimension(name, dimension.size)
    for name, variable in stored.variables.items():
        variable.set_auto_maskandscale(False)
        about = variable.__dict__
        made = file.createVariable(name, variable.dtype, variable.dimensions, fill_value=about.pop("_FillValue", None))
        made.set_auto_maskandscale(False)
        made.setncatts(about)
        made[:] = counts.get(name, variable[:])
    for name, group in stored.groups.items():
        _copy(group, file.createGroup(name), counts if name == "panels" else {})


def _sum(file):
    total = hashlib.sha256()
    for part in _parts(file):
        total.update(len(part).to_bytes(8, "little") + part)
    return total.hexdigest()


def _parts(group):
    """What the first format adds up: attributes, then every variable of every group, by name."""
    yield from _attributes(group)
    for name in sorted(group.variables):
        variable = group.variables[name]
        variable.set_auto_maskandscale(False)
        values = np.asarray(variable[...])
        yield f"{name} {variable.dimensions} {values.shape} {values.dtype.kind}".encode()
        yield from _attributes(variable)
        yield "\0".join(values.ravel()).encode() if values.dtype.kind in "OU" else values.tobytes()
    for name in sorted(group.groups):
        yield name.encode()
        yield from _parts(group.groups[name])


def _attributes(owner):
    for name in sorted(set(owner.ncattrs()) - {"contents_sha256"}):
        yield f"{name}={owner.getncattr(name)}".encode()


DEEP = "[" * 100_000
HOSTILE = {
    "a margin that is a number": {"margin": "7"},
    "a margin that is a list": {"margin": "[1]"},
    "a card that is a number": {"card": "7"},
    "a card that is nested deeply": {"card": json.dumps({"text": f"x = {DEEP}", "edited": False})},
    "parts nested deeply": {"priors": DEEP},
    "extra structure": {"structure": '{"command": "x"}'},
    "a moderator that is not there": {"structure": '{"moderators": ["absent"]}'},
}
COUNTS = {"more correct than tastings": {"correct": [25, 19, 14, 12]}, "fewer than none": {"correct": [-1, 19, 14, 12]}}


ZEROED = (4608, 5120, 5632)
UNWRITTEN = (3 * 10**8, 10**9)


@pytest.fixture(scope="module")
def apart(tmp_path_factory):
    """How each of these files ends when it is loaded, all of them in one process."""
    folder = tmp_path_factory.mktemp("apart")
    paths = {f"zeroed at {at}": zeroed(folder / f"zeroed {at}.nc", at) for at in ZEROED}
    paths |= {f"{count} numbers": unwritten(folder / f"unwritten {count}.nc", count) for count in UNWRITTEN}
    paths["holds itself"] = DATA / "hostile_cycle.h5"
    paths["nothing but its sum, which is the same"] = stored_but(folder / "same.nc")
    for name, attributes in HOSTILE.items():
        paths[name] = stored_but(folder / f"{len(paths)}.nc", attributes)
    for name, counts in COUNTS.items():
        paths[name] = stored_but(folder / f"{len(paths)}.nc", counts=counts)
    return loaded(paths)


def test_what_cannot_have_been_saved_is_no_pool_even_with_the_right_sum(apart):
    assert apart["nothing but its sum, which is the same"] == "loaded"
    assert {name: apart[name] for name in [*HOSTILE, *COUNTS]} == dict.fromkeys([*HOSTILE, *COUNTS], "ArchiveError")


def test_a_part_of_a_table_that_could_be_a_total_of_the_rest_is_loaded_again(tmp_path):
    panels = ms.read_panels(
        "panel,protocol,tastings,correct\nOverall red,triangle,40,20\nA,triangle,20,10\nB,triangle,20,10\n"
        "C,triangle,30,12"
    )
    pooled = ms.pool(panels.without("C"), seed=np.int64(3))
    assert ms.load(pooled.save(tmp_path / "pool.nc")).headline() == pooled.headline()


OTHER = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [9, 16]}


@pytest.mark.lab
def test_a_pool_or_page_of_other_panels_is_replaced_only_when_that_is_said(tmp_path):
    other = ms.pool(OTHER)
    first = ms.pool(OTHER | {"panel": ["C", "D"]})
    for write in ("save", "report"):
        path = tmp_path / f"kept.{'nc' if write == 'save' else 'html'}"
        getattr(first, write)(path)
        before = path.read_bytes()
        with pytest.raises(
            FileExistsError, match=r"kept\..*of panels not all in this pool\. Name a new one, or say overwrite=True"
        ):
            getattr(other, write)(path)
        assert path.read_bytes() == before
        getattr(first, write)(path)  # the same panels
        getattr(other, write)(path, overwrite=True)
        assert path.read_bytes() != before
    path = tmp_path / "kept.nc"  # a page, which takes longer to write, goes by the same rule
    other.save(path)  # the same panels
    ms.pool(OTHER, margin=MARGIN).save(path)  # the same panels, another margin
    more = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": [24, 30, 20], "correct": [9, 16, 9]}
    ms.pool(more).save(path)  # one more evening of the same question
    for fewer in (other, ms.pool({**more, "correct": [10, 16, 9]})):  # which would lose that evening, or its count
        with pytest.raises(FileExistsError, match="of panels not all in this pool"):
            fewer.save(path)


@pytest.mark.parametrize("path", GENERATIONS, ids=lambda path: path.stem)
def test_a_pool_of_the_first_version_is_replaced_by_one_of_the_same_panels_alone(path, tmp_path):
    copy = tmp_path / "old.nc"
    copy.write_bytes(path.read_bytes())
    with pytest.raises(FileExistsError, match="of panels not all in this pool"):
        ms.pool(OTHER).save(copy)
    assert ms.load(ms.load(copy).save(copy))


def test_looking_at_what_a_file_is_leaves_it_to_be_read_from_its_start(saved, monkeypatch):
    held = os.open(saved, os.O_RDONLY)  # handed over by a shell, on systems where opening it again shares the place
    monkeypatch.setattr("builtins.open", lambda _, mode, buffering: os.fdopen(os.dup(held), mode, buffering))
    assert archive.is_archive(saved)
    monkeypatch.undo()
    assert os.lseek(held, 0, os.SEEK_CUR) == 0
    os.close(held)


@pytest.mark.parametrize("name", ["", "a\0b", "half \ud800", "n" * 400, "."])
@pytest.mark.parametrize("read", [ms.load, ms.rerun])
def test_a_name_that_no_file_can_have_is_an_error_in_words(read, name):
    with pytest.raises(OSError, match=r"name|cannot be read|is a folder") as caught:
        read(name)
    assert caught.value.errno is None  # none of the system's own words
    assert name[:3] in str(caught.value) or "\ufffd" in str(caught.value)


def test_the_largest_seed_comes_back_and_a_larger_one_is_refused_before_the_work(tmp_path, monkeypatch):
    pooled = ms.pool(OTHER, seed=2**128, draws=25)
    assert ms.load(pooled.save(tmp_path / "seed.nc")).settings["seed"] == 2**128
    monkeypatch.setattr("metasense.results.pooling.build", None)  # nothing can be pooled
    with pytest.raises(ValueError, match="the seed has too many digits"):
        ms.pool(OTHER, seed=2**128 + 1)


NAMED = """panel,protocol,taster,correct
A,triangle,Anna Berg,1
A,triangle,Anna Berg,0
A,triangle,T1,1
B,triangle,+49 170 1234567,0
B,triangle,anna@example.org,1
B,triangle,Anna Berg,1
B,triangle,Anna Berg,1
"""


def test_names_of_tasters_are_not_in_the_file_and_nothing_else_changes(tmp_path):
    pooled = ms.pool(ms.read_tastings(NAMED), margin=MARGIN, regulars=False)
    path = pooled.save(tmp_path / "named.nc")
    assert not [word for word in (b"Anna", b"Berg", b"1234567", b"example.org") if word in path.read_bytes()]
    again = ms.load(path)
    pd.testing.assert_frame_equal(again.to_frame(), pooled.to_frame(), check_exact=True)
    assert again.tastings.frame["taster"].tolist() == ["T2", "T2", "T1", "T3", "T4", "T2", "T2"]
    assert any("3 tasters are called by a code of this file" in note for note in again.panels.notes)
    assert pooled.tastings.frame["taster"].iloc[0] == "Anna Berg"  # the pool itself keeps what was typed
    assert ms.rerun(path).same
    assert ms.load(again.save(path)).panels.notes == again.panels.notes


def test_sampled_moderators_are_refused_before_anything_is_sampled_again(tmp_path, monkeypatch):
    table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31]}
    more = {"weeks": [1, 2, 4, 6, 8, 10], "dose": [1, 3, 2, 0, 1, 2], "batch_pair": list("uuvvww")}
    saved = archive.read(ms.pool(table | more).save(tmp_path / "several.nc"))
    saved.record["settings"]["method"] = "mcmc"
    monkeypatch.setattr("metasense.results.rerun.restored", None)  # nothing can be loaded, nor sampled
    monkeypatch.setattr("metasense.results.rerun.archive.read", lambda path: saved)
    for structure in ({"moderators": ["weeks", "dose"]}, {"moderators": ["weeks"], "within": "batch_pair"}):
        saved.record["structure"] = structure
        with pytest.raises(ValueError, match=r"several\.nc.* holds a pool with moderators that PyMC sampled"):
            ms.rerun("several.nc")


@pytest.mark.lab
def test_a_dose_beside_another_moderator_is_integrated_and_compared(tmp_path):
    table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31]}
    more = {"weeks": [1, 2, 4, 6, 8, 10], "dose": [1, 3, 2, 0, 1, 2]}
    pooled = ms.pool(table | more, moderators=["weeks", "dose"], through_zero="dose")
    assert pooled.method == "grid"
    assert ms.rerun(pooled.save(tmp_path / "dose.nc")).same


def test_a_number_of_a_rerun_may_be_off_by_five_millionths_and_a_rate_or_spread_by_a_thousand_times_that(tmp_path):
    table = {"panel": "A", "protocol": "triangle", "tastings": 1, "correct": 0}  # log evidence of none: log(2/3) = -.41
    frame = ms.rerun(ms.pool([table], margin=MARGIN).save(tmp_path / "pool.nc")).to_frame()
    once = frame["quantity"].str.match("p_c |p_d |spread")
    allowed = np.where(once, 5e-3, 5e-6) * np.maximum(1, frame["stored"].abs())
    assert frame["allowed"].to_numpy() == pytest.approx(allowed, rel=1e-9)
    assert once.any() and (frame["stored"].abs() > 2).any() and (frame["stored"].abs() < 0.5).any()
    average = frame[frame["quantity"] == "average d-prime"]
    assert average["number"].tolist() == ["mean", "median", "lower", "upper", "P(above the margin)"]


@pytest.mark.lab
def test_a_rerun_of_people_who_came_again_allows_what_their_draws_differ_by_and_no_other_pool_does(tmp_path):
    rows = [
        {"panel": panel, "protocol": "triangle", "taster": who, "correct": int(who in right)}
        for panel, right in (("A", "ab"), ("B", "ac"))
        for who in "abcd"
    ]
    for name, asked, least in (("club", {}, 1e-3), ("new", {"regulars": False}, 0.0)):
        found = ms.rerun(ms.pool(ms.read_tastings(rows), **asked).save(tmp_path / f"{name}.nc"))
        allowed = found.frame.set_index(["quantity", "number"]).loc[("average d-prime", "median"), "allowed"]
        assert found.same and (allowed > least if least else allowed < 1e-4)

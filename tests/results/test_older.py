"""Files of the first format, looked at in this process: sizes both sides of every limit, and reasons in words.

What is tried on whole files, in the process of its own, stands in ``test_archive.py``.
"""

from pathlib import Path
from types import SimpleNamespace

import netCDF4
import numpy as np
import pytest

from metasense.results import container, older
from metasense.results.older import Refused

STORED = Path(__file__).parents[1] / "data" / "saved_grid_python313.nc"


@pytest.mark.parametrize(("version", "at"), [(0, 40), (1, 44), (2, 28), (3, 28)])
def test_the_length_stated_is_the_end_of_file_address_of_the_superblock(version, at):
    # HDF5 File Format Specification, version 3.0, II.A: where the address stands in each version of the superblock
    head = bytearray(older.MAGIC + bytes([version]) + bytes(60))
    head[at : at + 8] = (123_456_789).to_bytes(8, "little")
    assert older._stated_size(bytes(head)) == 123_456_789
    assert older._stated_size(bytes(head[: at + 8])) == 123_456_789
    assert older._stated_size(bytes(head[: at + 7])) == at + 8  # not even that is there


def test_a_stored_file_states_its_own_length_and_a_shorter_one_is_cut_short():
    data = STORED.read_bytes()
    assert older._stated_size(data) == len(data)
    with pytest.raises(Refused, match=f"is cut short: {len(data) - 1:,} of its {len(data):,} bytes are here"):
        older.converted(data[:-1])


@pytest.mark.parametrize("reason", older.REASONS)
def test_every_reason_is_a_sentence_with_its_remedy(reason):
    error = Refused(reason, found=1, stated=2)
    assert error.reason == reason and str(error).split()[0] in ("is", "was", "asks")
    assert error.remedy == "" or error.remedy.endswith(".")


def test_a_stored_file_is_written_anew_with_all_it_holds():
    data = STORED.read_bytes()
    written = older._translated(netCDF4, data)
    about, variables = container.unpack(written)
    assert container.is_whole(written) and about["metasense_format"] == "1" and "contents_sha256" not in about
    with netCDF4.Dataset("pool.nc", "r", memory=data) as stored:
        assert about["title"] == stored.title
        assert variables["draws_average"].values == pytest.approx(np.asarray(stored["draws"]["average"][:]))
        assert variables["panels_tastings"].values.tolist() == stored["panels"]["tastings"][:].tolist()
        assert container.to_words(variables["panels_panel"]) == stored["panels"]["panel"][:].tolist()
        assert {name.split("_")[0] for name in variables} == set(stored.groups)


def test_another_title_sum_or_format_is_another_file(tmp_path):
    path = tmp_path / "other.nc"
    for attributes, reason in (({}, "other"), ({"metasense_format": 2}, "other"), ({"metasense_format": 1}, "sum")):
        with netCDF4.Dataset(path, "w") as file:
            file.setncatts({"title": "x", "metasense": "0.1.0", "contents_sha256": "0" * 64} | attributes)
        with pytest.raises(Refused) as caught:
            older._translated(netCDF4, path.read_bytes())
        assert caught.value.reason == reason


def group(variables=(), axes=0, texts=0, groups=()):
    """As netCDF4 shows a group, with no more than its sizes."""
    return SimpleNamespace(
        variables=dict(enumerate(variables)),
        dimensions=range(axes),
        ncattrs=lambda: range(texts),
        groups=dict(enumerate(groups)),
    )


def variable(*shape, dtype="f8", texts=0):
    return SimpleNamespace(shape=shape, dtype=dtype, ncattrs=lambda: range(texts))


def large(stored, size=0):
    try:
        older._look_at_sizes(stored, size)
    except Refused as refused:
        return refused.reason == "large"
    return False


def test_groups_are_five_and_none_is_in_another():
    assert not large(group(groups=[group()] * 5)) and large(group(groups=[group()] * 6))
    assert large(group(groups=[group(groups=[group()])]))


def test_variables_axes_and_texts_are_counted_together(monkeypatch):
    monkeypatch.setattr(older, "MOST_THINGS", 10)
    assert not large(group([variable(1)] * 2, axes=3, texts=5)) and large(group([variable(1)] * 2, axes=3, texts=6))
    assert not large(group([variable(1, texts=4)] * 2)) and large(group([variable(1, texts=5), variable(1, texts=4)]))
    assert not large(group(texts=4, groups=[group(texts=6)])) and large(group(texts=4, groups=[group(texts=7)]))


@pytest.mark.parametrize(("dtype", "wide"), [("f8", 8), ("i4", 4), ("S1", 1), (str, 64)])
def test_what_all_numbers_take_is_bounded_by_the_length_of_the_file(dtype, wide):
    most = 2**25 + 8 * 1000
    count = most // wide
    assert not large(group([variable(count, dtype=dtype)]), 1000) and large(
        group([variable(count + 1, dtype=dtype)]), 1000
    )
    assert large(group([variable(count // 2 + 1, 2, dtype=dtype)]), 1000)
    halves = [group([variable(count // 2 + 1, dtype=dtype)])] * 2
    assert large(group(groups=halves), 1000) and not large(group(groups=halves[:1]), 1000)

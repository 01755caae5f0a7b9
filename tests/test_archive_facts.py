"""Saved pools that were damaged or made to do harm, as a user meets them: by ``ms.load`` and ``metasense rerun``."""

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import netCDF4
import numpy as np
import pytest

import metasense as ms

DATA = Path(__file__).parent / "data"
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


def test_a_zeroed_sector_does_not_send_the_reader_round_in_circles(tmp_path):
    paths = {at: zeroed(tmp_path / f"{at}.nc", at) for at in (4608, 5120, 5632)}
    assert loaded(paths) == dict.fromkeys(paths, "ArchiveError")


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


def test_a_small_file_cannot_ask_for_gigabytes(tmp_path):
    paths = {count: unwritten(tmp_path / f"{count}.nc", count) for count in (3 * 10**8, 10**9)}
    assert loaded(paths) == dict.fromkeys(paths, "ArchiveError")


def test_a_group_that_holds_itself_is_refused():
    assert loaded({"cycle": DATA / "hostile_cycle.h5"}) == {"cycle": "ArchiveError"}


def changed(path, attributes=None, counts=None):
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


def test_what_cannot_have_been_saved_is_no_pool_even_with_the_right_sum(tmp_path):
    paths = {"nothing but its sum, which is the same": changed(tmp_path / "same.nc")}
    for name, attributes in HOSTILE.items():
        paths[name] = changed(tmp_path / f"{len(paths)}.nc", attributes)
    for name, counts in COUNTS.items():
        paths[name] = changed(tmp_path / f"{len(paths)}.nc", counts=counts)
    wanted = dict.fromkeys(paths, "ArchiveError")
    wanted["nothing but its sum, which is the same"] = "loaded"
    assert loaded(paths) == wanted


def test_a_part_of_a_table_that_could_be_a_total_of_the_rest_is_loaded_again(tmp_path):
    panels = ms.read_panels(
        "panel,protocol,tastings,correct\nOverall red,triangle,40,20\nA,triangle,20,10\nB,triangle,20,10\n"
        "C,triangle,30,12"
    )
    pooled = ms.pool(panels.without("C"), seed=np.int64(3))
    assert ms.load(pooled.save(tmp_path / "pool.nc")).headline() == pooled.headline()

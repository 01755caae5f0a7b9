"""The benchmarks measure what they say: small versions of ``python tests/benchmarks/side_by_side.py``."""

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from benchmarks import lookup_refits, many_at_once, reading_tables, shelf_of_many, side_by_side

import metasense as ms


def test_the_hand_written_model_knows_the_triangle():
    d = np.linspace(0, 9, 50)
    assert side_by_side.triangle(d, np.exp) == pytest.approx(ms.protocol("triangle").p_correct(d), abs=1e-9)


@pytest.mark.parametrize("data", ["null", "10", "large n"])
def test_the_default_pool_keeps_its_distance_from_the_reference(data):
    panels = side_by_side._panels(*side_by_side.DATA[data])
    (found, log_evidence), (exact, reference) = side_by_side.integrated(panels), side_by_side.reference(panels)
    levels = list(side_by_side.LEVELS)
    off = np.abs(found["average"].quantile(levels) - exact["average"].quantile(levels)).max()
    assert off / exact["average"].sd < 1e-3 and abs(log_evidence - reference) < 1e-5


def test_a_worker_reports_times_and_quantiles():
    command = [sys.executable, side_by_side.__file__, "--worker", "10", "metasense", "1"]
    said = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    assert said["fresh"] > said["framed"] > 0 and len(said["times"]) == 9
    low, middle, high, sd = said["quantiles"][0]["average"]
    assert 0 < low < middle < high and 0 < sd < 1


@pytest.mark.slow
def test_looking_up_is_far_quicker_than_pooling():
    table = lookup_refits.refits()
    assert (table["refits a second"] > 100 * table["full pools a second"]).all()


def test_many_at_once_are_quicker_than_one_by_one():
    table = many_at_once.compared(size=5_000, single=5).set_index("job")
    assert table.loc["panels alone", "ratio"] > 20 and (table["ratio"] > 0).all()


def test_a_shelf_costs_little_a_variable_and_sends_little():
    found = shelf_of_many.growth((60, 120))
    assert (found["ms a variable"] > 0).all() and (found["singly"] == 0).all()
    with ThreadPoolExecutor(2) as pool:
        sent = shelf_of_many.spread_over(pool, 60)
    assert 0 < sent["bytes sent a variable"] < 2000 and 0 < sent["bytes back a variable"] < 2000


def test_reading_is_measured_on_tables_that_can_be_read():
    table = reading_tables.times(0.005).set_index("table")
    assert table["size"].to_dict() == {"tastings": 5_000, "panels": 500, "columns": 100}
    assert (table["seconds"] > 0).all() and (table["ratio"] > 1).any()


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_the_whole_comparison_prints_its_tables_and_bars():
    done = subprocess.run([sys.executable, side_by_side.__file__], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert all(name in done.stdout for name in side_by_side.DATA) and "times faster than by hand" in done.stdout

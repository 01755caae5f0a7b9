"""The answers that two trees are held together by: written alike twice, and every change of one is found.

The data are invented; only the comparing is tested here.
"""

import copy
import math

import pytest
from frozen import answers, pools
from frozen.record import Record, kind

import metasense as ms


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return _written(tmp_path_factory.mktemp("small"))


def _written(folder):
    record = Record(folder)
    pooled = ms.pool(pools.cases(count=1)[0].rows, margin=ms.Margin(d_prime=0.5))
    for part in (pooled.verdict(), pooled.to_frame(), pooled.rate("triangle")):
        record.add(f"small | {type(part).__name__}", part)
    record.tried("small | refused", lambda: pooled.panel(f"none in {folder}"))
    return {
        "about": {"versions": {}, "results": dict(record.results)},
        "numbers": record.numbers,
        "texts": record.texts,
    }


def test_answers_written_twice_and_kept_agree(small, tmp_path):
    for name in ("a.json", "a.json.gz"):
        answers.keep(_written(tmp_path), tmp_path / name)
        said, fine = answers.compare(small, answers.read(tmp_path / name))
        assert fine, said
    assert len(small["numbers"]) > 20 and len(small["texts"]) > 20


def test_a_changed_number_and_a_changed_text_are_found_by_kind(small):
    changed = copy.deepcopy(small)
    changed["numbers"]["small | DataFrame.median"][1] += 1e-11
    changed["texts"]["small | Verdict.repr"] += "!"
    said, fine = answers.compare(small, changed)
    assert not fine and "1 x DataFrame.median" in said and "1 x Verdict.repr" in said
    assert not answers.compare(small, changed, sorts=("numbers",))[1]
    changed["numbers"] = small["numbers"]
    assert answers.compare(small, changed, sorts=("numbers",))[1]


def test_a_name_given_up_is_listed_and_fails_unless_it_is_allowed(small):
    fewer = copy.deepcopy(small)
    del fewer["texts"]["small | Verdict.repr"]
    said, fine = answers.compare(small, fewer)
    assert not fine and "texts gone: 1" in said
    assert answers.compare(small, fewer, common=True)[1]


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [(1.0, 1.0 + 5e-13, True), (1.0, 1.0 + 5e-12, False), (1e9, 1e9 + 1e-4, True), (math.nan, math.nan, True),
     (math.nan, 0.0, False), (math.inf, math.inf, True), (math.inf, 1.0, False), (3, 4, False)],
)  # fmt: skip
def test_numbers_agree_to_twelve_digits_below_one_and_above(one, other, same):
    assert answers.same_number(one, other) is same


def test_the_pools_cover_all_protocols_and_sizes():
    cases = pools.cases()
    assert len(cases) == 60 and {case.kind for case in cases} == set(pools.KINDS)
    assert {row["protocol"] for case in cases for row in case.rows} == set(ms.PROTOCOLS)
    assert {len(case.rows) for case in cases} == set(range(1, 13))
    assert sum(bool(case.tastings) for case in cases) >= 5
    columns = {column for case in cases for row in case.rows for column in row}
    assert {"tasters", "planned", "looks", "blind", "reported", "batch_pair", "prefer_new", "date"} <= columns


def test_every_made_up_table_can_be_read_with_its_tastings_and_moderators():
    for case in pools.cases():
        panels = ms.read_panels(case.rows)
        assert len(panels) == len(case.rows)
        assert case.pooling.get("moderators") in (None, *panels.moderators), case.name
        assert not case.tastings or ms.read_tastings(case.tastings).counts()["r"].max() > 1, case.name


def test_the_kind_of_a_place_is_without_case_and_arguments():
    assert kind("cider, one | Pooled.rate(2-AFC).p_c[0].median") == "Pooled.rate.p_c.median"

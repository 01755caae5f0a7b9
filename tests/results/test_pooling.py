"""`pool` as a type checker sees it: what is right passes, and each slip is reported on its own line."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

CALLS = """
from typing import assert_type

import metasense as ms

table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 11], "weeks": [1, 2, 3]}
margin = ms.Margin(p_d=0.2, protocol="triangle")
assert_type(ms.pool(table), ms.Pooled)
assert_type(ms.pool("panels.csv", margin=margin, priors=ms.Priors(), card="card.toml", seed=2), ms.Pooled)
assert_type(ms.pool(table, method="mcmc", draws=500, chains=2, progress=True), ms.Pooled)
assert_type(ms.pool(table, moderators="weeks", through_zero="weeks"), ms.Moderated)
assert_type(ms.pool(table, moderators=["weeks", "style"], within="pair"), ms.Moderated)
assert_type(ms.pool(table, within="pair"), ms.Nested)
pooled = ms.pool(table, margin=margin)
assert_type(pooled.verdict(), ms.Verdict)
print(pooled.verdict() == "not settled", pooled.verdicts()["verdict"], pooled.plot(order="estimate"))
print(ms.pool(table, within="pair").to_frame(protocols=["triangle", "tetrad"]))
assert_type(ms.plan_next(pooled), ms.Plans)
assert_type(ms.tasters(pooled), ms.Tasters)
assert_type(ms.check_claim("It can be tasted.", pooled), ms.ClaimCheck)
assert_type(ms.one_panel("triangle", 24, 10, margin=margin).verdict(), str | None)

ms.pool(table, margn=margin)  # wrong
ms.pool(table, margin=3)  # wrong
ms.pool(table, seed="x")  # wrong
ms.pool(table, sead=1)  # wrong
ms.pool(table, method="nuts")  # wrong
ms.pool(table, moderators="weeks", margn=margin)  # wrong
ms.pool(table, within=2)  # wrong
ms.pool(table, through_zero="weeks")  # wrong
ms.pool(table, priors={"centre_scale": 1})  # wrong
ms.pool(table, moderators="weeks").verdict()  # wrong
pooled.plot("weeks", "estimate")  # wrong
pooled.fit(prob=0.9)  # wrong
ms.Margin(pd=0.2)  # wrong
ms.plan_next(3)  # wrong
ms.check_claim("It can be tasted.", table)  # wrong
ms.critical_number("triangle", 24, alfa=0.1)  # wrong
ms.serve("triangle", 12, samples="AB")  # wrong
ms.Card(question="?", decision="!", margin=0.2, protocols="triangle", date="2025-03-01")  # wrong
"""


@pytest.mark.lab
def test_a_type_checker_passes_right_calls_and_reports_every_wrong_one(tmp_path):
    file = tmp_path / "calls.py"
    file.write_text(CALLS, encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--config-file", str(ROOT / "pyproject.toml"), str(file)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    reported = {int(number) for number in re.findall(r"calls\.py:(\d+): error", done.stdout)}
    lines = CALLS.splitlines()
    wrong = {number for number, line in enumerate(lines, 1) if line.endswith("# wrong")}
    assert len(wrong) == 18
    assert not reported - wrong, done.stdout + done.stderr
    assert not wrong - reported, [lines[number - 1] for number in wrong - reported]


def test_types_are_shipped():
    assert (ROOT / "metasense" / "py.typed").is_file()

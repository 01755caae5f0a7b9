"""What the package asks of an environment."""

import re
import tomllib
from pathlib import Path

import pytest

NEEDS = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]["dependencies"]
# The oldest versions of which a set was found to work with Python 3.11 when each was tried.
WORKING = {
    "numpy": "2.0.0",
    "scipy": "1.13.0",
    "pandas": "2.2.2",
    "xarray": "2024.11.0",
    "matplotlib": "3.8.4",
    "jinja2": "3.1.0",
    "netCDF4": "1.7.1",
    "openpyxl": "3.1.0",
}


def parts(version):
    numbers = [int(number) for number in version.split(".")]
    return numbers + [0] * (3 - len(numbers))


def floor(name):
    (need,) = [need for need in NEEDS if re.split(r"[\[<>=!~;, ]", need)[0] == name]
    found = re.search(r">=\s*([\d.]+)", need)
    assert found, f"{need} has no oldest version"
    return found[1]


@pytest.mark.parametrize("need", NEEDS)
def test_every_library_has_an_oldest_version(need):
    assert ">=" in need


@pytest.mark.parametrize("name", WORKING)
def test_no_version_is_allowed_that_is_older_than_those_that_work(name):
    assert parts(floor(name)) >= parts(WORKING[name])


def test_the_library_that_guards_against_entities_is_asked_for():
    assert floor("defusedxml")

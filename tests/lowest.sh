#!/usr/bin/env bash
# The oldest versions that pyproject.toml allows, in an environment of their own, and the quick tests with them.
#
#     bash tests/lowest.sh                                # PYTHON=python3.11 unless set otherwise
#     bash tests/lowest.sh tests/test_archive.py          # some tests
#
# With FOLDER set, the environment is made there once and kept.
set -euo pipefail
cd "$(dirname "$0")/.."
export PIP_DISABLE_PIP_VERSION_CHECK=1
folder=${FOLDER:-$(mktemp -d)}
[ -n "${FOLDER:-}" ] || trap 'rm -rf "$folder"' EXIT
if [ ! -e "$folder/ready" ]; then
    "${PYTHON:-python3.11}" -m venv "$folder"
    "$folder/bin/python" - >"$folder/lowest.txt" <<'PYTHON'
import re
import tomllib

with open("pyproject.toml", "rb") as file:
    needs = tomllib.load(file)["project"]["dependencies"]
for need in needs:
    name, floor = re.fullmatch(r"([\w-]+)(?:\[.*\])?>=([\d.]+).*", need).groups()
    print(f"{name}=={floor}")
PYTHON
    "$folder/bin/pip" install --quiet --constraint "$folder/lowest.txt" --editable . \
        pytest pytest-timeout pytest-xdist pytest-cov 'mypy>=2.4' hypothesis pyarrow statsmodels mpmath nbclient ipykernel \
        ipywidgets
    touch "$folder/ready"
fi
"$folder/bin/pip" freeze | grep -iE '^(numpy|scipy|pandas|xarray|matplotlib|jinja2|openpyxl|defusedxml|netcdf4|pymc|arviz.*)=='
# every warning is an error in our own tests; here only what the tests say counts: old versions warn of one another
PATH="$folder/bin:$PATH" "$folder/bin/python" -m pytest -p no:cacheprovider -m "not slow and not mcmc and not lab" -W default "$@"

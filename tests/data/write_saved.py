"""Write the small saved pools that the tests read back; run once under each generation of Python and PyMC.

    python tests/data/write_saved.py

With PyMC 5 it writes saved_grid_python311.nc and saved_pymc5.nc, with PyMC 6 saved_grid_python313.nc and
saved_pymc6.nc. The panels are invented; one has repeat tasters, so that the sample has an overdispersion in every draw.
"""

import sys
from importlib.metadata import version
from pathlib import Path

import metasense as ms

TABLE = {
    "panel": ["A", "B", "C, \u00fc", "=1+1"],
    "protocol": ["triangle", "duo-trio", "tetrad", "triangle"],
    "tastings": [24, 30, 28, 24],
    "correct": [9, 19, 14, 12],
    "tasters": [24, 30, 28, 8],
    "style": ["dry", "sweet", None, "dry"],
    "weeks": [1, 2.5, 3, None],
    "date": ["2025-03-08", "2025-03-09", None, "2025-04-01"],
}

if __name__ == "__main__":
    here, python = Path(__file__).parent, f"{sys.version_info[0]}{sys.version_info[1]}"
    size = {"margin": ms.Margin(p_d=0.2, protocol="triangle"), "draws": 150, "chains": 2}
    print(ms.pool(TABLE, **size).save(here / f"saved_grid_python{python}.nc"))
    print(ms.pool(TABLE, method="mcmc", **size).save(here / f"saved_pymc{version('pymc').split('.')[0]}.nc"))

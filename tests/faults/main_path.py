"""All that one user does in an evening, in one process: read, pool, look, save, load, write. Prints what it says.

Run by the fault checks in odd surroundings: ``python main_path.py FOLDER [mcmc]``, where FOLDER holds panels.csv. What
is printed must not depend on the surroundings.
"""

import hashlib
import sys
from pathlib import Path

import metasense as ms


def digest(draws) -> str:
    """A short name for these draws to nine decimals: another compiler may round the last bit otherwise."""
    values = b"".join((draws[name].to_numpy().round(9) + 0.0).tobytes() for name in sorted(draws.data_vars))
    return hashlib.sha256(values).hexdigest()[:16]


def main(folder: Path, method: str) -> None:
    panels = ms.read_panels(folder / "panels.csv")
    margin = ms.Margin(p_d=0.2, protocol="triangle")
    sampler = {"method": "mcmc", "draws": 60, "chains": 2} if method == "mcmc" else {}
    pooled = ms.pool(panels, margin=margin, seed=3, **sampler)
    parts = [panels, ms.one_panel("triangle", 24, 11, margin=margin), pooled]
    if method != "mcmc":
        parts += [pooled.explanations(), pooled.sensitivity(), pooled.fit(), pooled.drawer()]
        pooled.plot()
        pooled.report(folder / "page.html")
    print(*parts, sep="\n\n")
    print(pooled.to_frame().to_csv(index=False, float_format="%.9g"))
    again = ms.load(pooled.save(folder / "pool.nc"))
    assert again.headline() == pooled.headline() or sys.exit("the saved pool says something else")
    print("draws", digest(pooled.draws), digest(again.draws))
    panels.to_csv(folder / "again.csv")
    print((folder / "again.csv").read_text(encoding="utf-8"))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "grid")

"""How often the intervals of one panel hold the true value, by listing every count a panel can give.

Run ``python tests/calibration/coverage_single.py`` for the whole table: no simulation, so no Monte Carlo error. For
each protocol, size and true p_d the probability of every count whose interval holds the truth is added up. Exact
(Clopper-Pearson) intervals must never fall below what they promise; profile-likelihood and credible intervals promise
it on average only, the credible ones over their own prior. An equal-tailed credible interval of a quantity that cannot
be negative never holds exactly 0, so the rows at p_d = 0 read 0 for both priors: that is why no interval is read as
"above 0", and why guessing is weighed as an explanation of its own.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import binom

from metasense.alone.beliefs import ON_D_PRIME, ON_P_D
from metasense.alone.single import one_panel
from metasense.binomial import exact_interval, profile_interval
from metasense.protocols import PROTOCOLS, Protocol, protocol

SIZES = (8, 15, 24, 36, 60)
RATES = (0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9)
KINDS = ("exact", "profile", ON_P_D, ON_D_PRIME)


def intervals(test: Protocol, n: int, prob: float = 0.95) -> dict[str, np.ndarray]:
    """Interval of p_d for every count, shape (n + 1, 2), as the panel's frame gives it."""
    x, floor = np.arange(n + 1), 0.0 if test.directed else test.guess
    found = {
        "exact": np.stack(exact_interval(x, n, prob), axis=1),
        "profile": np.stack(profile_interval(x, n, prob, floor=floor), axis=1),
    }
    rates = {kind: test.p_d_from_p(np.maximum(ends, floor)) for kind, ends in found.items()}
    panels = [one_panel(test, n, int(count), prob=prob) for count in x]
    rates[ON_P_D] = np.array([panel.p_d_posterior.interval(prob) for panel in panels])
    rates[ON_D_PRIME] = np.array([panel.d_prime_posterior.map(test.p_d).interval(prob) for panel in panels])
    return rates


def coverage(test: Protocol, n: int, p_d: float, limits: np.ndarray) -> float:
    """Chance that the interval of a panel of `n` holds the true `p_d`."""
    chance = binom.pmf(np.arange(n + 1), n, test.p_from_p_d(p_d))
    holds = (limits[:, 0] <= p_d + 1e-9) & (p_d - 1e-9 <= limits[:, 1])
    return float(chance @ holds)


def table(protocols: tuple[str, ...], sizes: tuple[int, ...] = SIZES, rates: tuple[float, ...] = RATES) -> pd.DataFrame:
    """Coverage of every kind of 95 % interval: one row a protocol, size and true p_d."""
    rows = []
    for name in protocols:
        test = protocol(name)
        assert isinstance(test, Protocol)
        for n in sizes:
            limits = intervals(test, n)
            rows += [
                {"protocol": name, "tastings": n, "p_d": rate} | {k: coverage(test, n, rate, limits[k]) for k in KINDS}
                for rate in rates
            ]
    return pd.DataFrame(rows)


def averaged_over_the_flat_prior(test: Protocol, n: int) -> float:
    """Coverage of the flat-prior interval averaged over that prior: 95 % in theory, whatever the counts' steps."""
    limits = intervals(test, n)[ON_P_D]
    rates = (np.arange(4000) + 0.5) / 4000
    return float(np.mean([coverage(test, n, rate, limits) for rate in rates]))


if __name__ == "__main__":
    whole = table(tuple(name for name, test in PROTOCOLS.items() if isinstance(test, Protocol)))
    print(whole.round(3).to_string(index=False))
    print("\nlowest coverage of each kind where there is a difference:")
    print(whole.loc[whole["p_d"] > 0, list(KINDS)].min().round(3).to_string())
    print("mean coverage of each kind where there is a difference:")
    print(whole.loc[whole["p_d"] > 0, list(KINDS)].mean().round(3).to_string())
    print("lowest cell of the exact intervals is within 1.5 points of 95 %:", bool(whole["exact"].min() >= 0.935))

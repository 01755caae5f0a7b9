"""Every panel of a table on its own, one row each, by exact arithmetic."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from metasense.alone.single import COUNTS, one_panel
from metasense.alone.two_counts import TwoCountPanel
from metasense.binomial import at_least, exact_interval, smallest_count
from metasense.protocols import Protocol, TwoCountProtocol
from metasense.protocols import protocol as find_protocol
from metasense.showing import words

if TYPE_CHECKING:
    from metasense.tables.panels import Panels


def panels_alone(panels: Panels | pd.DataFrame, *, alpha: float = 0.05, prob: float = 0.95) -> pd.DataFrame:
    """Every panel on its own, one row each, by exact arithmetic; equal panels are computed once.

    Parameters
    ----------
    panels : Panels, or DataFrame with its columns
    alpha : float
        Risk of the critical number.
    prob : float
        Of the intervals.

    Returns
    -------
    DataFrame
        ``panel, protocol, correct, tastings, p_value, critical_number``, then ``p_c``, ``p_d`` and ``d_prime``, each
        with ``_lower`` and ``_upper``, then ``prob, kind``. Undirected protocols are cut at guessing. A-not-A and
        same-different have Fisher's p, a d-prime with its profile-likelihood interval, and nothing else. Answers are
        taken as independent: for panels with repeats the p-value holds, the intervals are too narrow.

    Raises
    ------
    ValueError
        If names, protocols or counts have no column.

    Examples
    --------
    >>> frame = {"panel": ["A", "B"], "protocol": ["triangle", "duo-trio"], "tastings": [24, 20], "correct": [10, 15]}
    >>> alone = panels_alone(pd.DataFrame(frame))
    >>> alone[["panel", "p_value", "critical_number", "d_prime", "d_prime_upper"]].round(3)
      panel  p_value  critical_number  d_prime  d_prime_upper
    0     A    0.254               13    0.991          2.147
    1     B    0.021               15    2.020          3.438
    """
    frame = panels if isinstance(panels, pd.DataFrame) else panels.frame
    lacking = [name for name in ("panel", "protocol", "tastings", "correct") if name not in frame]
    if lacking:
        raise ValueError(
            f"the panels have no column {words.listing(map(repr, lacking))}; read them with read_panels()."
        )
    keys = [key for key in ("protocol", *COUNTS) if key in frame]
    distinct = frame[keys].drop_duplicates(ignore_index=True)
    parts = [
        _alone(find_protocol(str(name)), rows, alpha, prob) for name, rows in distinct.groupby("protocol", sort=False)
    ]
    columns = ["panel", "protocol", "correct", "tastings", "p_value", "critical_number"]
    columns += [f"{scale}{end}" for scale in ("p_c", "p_d", "d_prime") for end in ("", "_lower", "_upper")] + [
        "prob",
        "kind",
    ]
    if not parts:
        return pd.DataFrame(columns=columns)
    numbers = pd.concat(parts).sort_index()
    code = frame[keys].merge(distinct.assign(_row=np.arange(len(distinct))), how="left", on=keys)["_row"].to_numpy()
    out = pd.concat(
        [frame[["panel", "protocol"]].reset_index(drop=True), numbers.iloc[code].reset_index(drop=True)], axis=1
    )
    for column in ("correct", "tastings"):
        out[column] = frame[column].to_numpy()
    return out.reindex(columns=columns)  # panels of two counts alone have no share of correct answers


def _alone(test: Protocol | TwoCountProtocol, rows: pd.DataFrame, alpha: float, prob: float) -> pd.DataFrame:
    """The numbers of distinct panels of one protocol, on the index of `rows`."""
    if isinstance(test, TwoCountProtocol):
        usable = rows[((rows["signal"] > 0) & (rows["noise"] > 0)).to_numpy(bool)]
        found: dict[str, list[float]] = {"p_value": [], "d_prime": [], "d_prime_lower": [], "d_prime_upper": []}
        for counts in usable[list(COUNTS[2:])].astype(int).to_dict("records"):
            panel = one_panel(test, prob=prob, **counts)
            assert isinstance(panel, TwoCountPanel)
            for key, value in zip(found, (panel.p_value, panel.d_prime, *panel.profile), strict=True):
                found[key].append(value)
        out = pd.DataFrame(found, usable.index).reindex(rows.index)
        return out.assign(prob=prob, kind="profile", critical_number=pd.array([pd.NA] * len(rows), "Int64"))
    n, x = (rows[key].to_numpy(float) for key in ("tastings", "correct"))
    lower, upper = exact_interval(x, n, prob)
    share = np.divide(x, n, out=np.full(n.shape, np.nan), where=n > 0)
    floor = 0.0 if test.directed else test.guess
    critical = smallest_count(n, test.guess, alpha)
    out = pd.DataFrame({"p_value": at_least(x, n, test.guess)}, rows.index)
    out["critical_number"] = pd.array(critical, "Int64")
    out.loc[critical > n, "critical_number"] = pd.NA
    for end, p in (("", share), ("_lower", lower), ("_upper", upper)):
        cut = np.maximum(p, floor)
        out[f"p_c{end}"] = cut
        out[f"p_d{end}"] = test.p_d_from_p(cut)
        known = ~np.isnan(cut)
        out[f"d_prime{end}"] = np.nan
        out.loc[known, f"d_prime{end}"] = test.d_prime(cut[known])
    return out.assign(prob=prob, kind="exact")

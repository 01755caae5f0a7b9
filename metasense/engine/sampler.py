"""The pooled posterior by sampling: the very model of `grid`, drawn from with PyMC's NUTS.

Sampling is slower than integration and carries Monte Carlo error. It is there for what integration cannot reach
(several moderators at once) and, on request, as a second opinion on the grid, reached another way.

The panels' own d-primes are integrated out by the cosine series, so only the centre, the spread and the slopes are
sampled, however many panels there are. They are sampled in polar coordinates, ``mu = R cos(a)``, ``tau = R sin(a)``,
because panels tell the distance ``R`` much better than its direction: in ``(mu, tau)`` the posterior is an arc, in
``(R, a)`` it is upright. The larger the spread, the less the panels tell of ``R``; so that large panels do not make a
funnel of this, ``log R`` is sampled in steps of the width it has at each angle (`Ruler`). What touches PyMC or
ArviZ objects is here, in ``model.py``, which states the model, in ``chains.py`` and in ``quiet.py``.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray
from scipy.special import softmax

from metasense.engine.chains import Chains, measure
from metasense.engine.grid import overdispersions
from metasense.engine.likelihood import Evidence, Series, log_likelihoods
from metasense.engine.model import Ruler, build
from metasense.engine.posterior import Patch, Posterior
from metasense.engine.priors import Priors
from metasense.engine.quiet import quiet
from metasense.engine.spreads import average_d_prime

Array = NDArray[np.float64]
TARGET_ACCEPT = 0.95
IN_TAILS = 0.99  # smaller steps: at 0.95 two of 80 000 draws diverged, in the tails that overdispersion bends
_STOPPED = "Sampling was interrupted; nothing was kept."
TUNED = 1000  # the fewest draws that tune a chain, unless asked


def sample(
    evidence: Sequence[Evidence],
    copies: ArrayLike,
    priors: Priors,
    *,
    draws: int = 1000,
    tune: int | None = None,
    chains: int = 4,
    seed: int | None = None,
    progress: bool = False,
) -> tuple[Posterior, Chains, xr.Dataset]:
    """Draw from the posterior of the centre and the spread.

    The chains run one after another in this process, so that a seed gives the same draws on every number of cores.

    Parameters
    ----------
    evidence : sequence of Evidence, length U
        Distinct panels.
    copies : sequence of int
        How often each stands in the pool.
    priors : Priors
    draws : int
        Draws kept from each chain.
    tune : int, optional
        Draws taken before to tune the sampler; by default as many, and 1000 at least.
    chains : int
        At least 2, or the chains could not be compared.
    seed : int, optional
        The same seed gives the same draws (with the same PyMC). One is drawn, and recorded in the draws' attributes,
        when none is given.
    progress : bool
        Show a progress bar. Nothing is printed otherwise.

    Returns
    -------
    posterior : Posterior
    measured : Chains
        How well the chains agree, and how much they tell.
    draws : Dataset
        `mu`, `tau`, `average_d_prime` and, with repeats, `gamma` (one of the overdispersions integrated over); dims
        chain, draw.

    Raises
    ------
    KeyboardInterrupt
        If sampling is interrupted; nothing is kept.
    ValueError
        If there are fewer than 2 chains or 4 draws, or no tuning.
    """
    seed = int(np.random.SeedSequence().generate_state(1)[0]) if seed is None else int(seed)
    rng = np.random.default_rng(seed)
    tune = max(draws, TUNED) if tune is None else tune
    gammas, shares = overdispersions(evidence)
    series = [Series.build(evidence, copies, float(gamma)) for gamma in gammas]
    starts = _starts(series[len(series) // 2], 0, chains, rng)
    model = model_of(evidence, copies, priors, series=series)
    polar, statistics = _run(model, series, starts, draws, tune, int(rng.integers(2**31)), progress)
    mu, tau = polar["R"] * np.cos(polar["a"]), polar["R"] * np.sin(polar["a"])
    mu = mu if series[0].directed else np.abs(mu)
    which = _overdispersion_of_each(series, shares, mu, tau, rng)
    values = {"mu": mu, "tau": tau, "average_d_prime": average_d_prime(mu, tau)}
    if len(series) > 1:
        values["gamma"] = gammas[which]
    kept = xr.Dataset(
        {name: (("chain", "draw"), value) for name, value in values.items()},
        {"chain": np.arange(chains), "draw": np.arange(draws)},
        {"seed": seed, "tune": tune, "sampler": _sampler_name()},
    )
    return _posterior(series, mu, tau, which), measure(kept, statistics), kept


def sample_moderated(
    evidence: Sequence[Evidence],
    priors: Priors,
    *,
    columns: Array,
    names: Sequence[str],
    load: Array | None = None,
    clusters: NDArray[np.intp] | None = None,
    draws: int = 1000,
    tune: int | None = None,
    chains: int = 4,
    seed: int = 1,
    progress: bool = False,
) -> tuple[Series, Chains, xr.Dataset]:
    """Draw from the posterior with several moderators, a dose through zero, or panels within clusters.

    Panel i is ``theta_i ~ Normal(load_i (mu + columns_i beta) + e_c(i), within)`` with the clusters' own deviations
    ``e_c ~ Normal(0, between)`` integrated out by the trapezoid rule. Without clusters `within` is the whole spread.

    Parameters
    ----------
    evidence : sequence of Evidence, length n
        One for each panel.
    priors : Priors
        With clusters both spreads are half-normal of scale ``spread_scale / sqrt(2)``.
    columns : ndarray, shape (n, P)
        Moderators, each slope with the prior ``Normal(0, slope_scale)``.
    names : sequence of str, length P
    load : ndarray, shape (n,), optional
    clusters : ndarray of int, shape (n,), optional
        Each panel's cluster, counted from 0.
    draws, tune, chains, seed, progress
        As for `sample`.

    Returns
    -------
    series : Series
    measured : Chains
        How well the chains agree, and how much they tell.
    draws : Dataset
        `mu`, `tau`, `beta` and with clusters `between` and `within`; dims chain, draw (and moderator). Where d-prime
        has no sign, draws and their mirror images are one; those with ``mu >= 0`` are given.
    """
    rng = np.random.default_rng(seed)
    tune = max(draws, TUNED) if tune is None else tune
    copies = np.ones(len(evidence))
    series = [Series.build(evidence, copies, float(gamma)) for gamma in overdispersions(evidence)[0]]
    slopes = columns.shape[1]
    starts = _starts(series[len(series) // 2], slopes, chains, rng)
    model = model_of(
        evidence, copies, priors, series=series, columns=columns, names=names, load=load, clusters=clusters
    )
    polar, statistics = _run(model, series, starts, draws, tune, int(rng.integers(2**31)), progress)
    mu, tau = polar["R"] * np.cos(polar["a"]), polar["R"] * np.sin(polar["a"])
    side = np.where((mu < 0) & (not series[0].directed), -1.0, 1.0)
    values: dict[str, Any] = {"mu": (("chain", "draw"), side * mu), "tau": (("chain", "draw"), tau)}
    if slopes:
        values["beta"] = (("chain", "draw", "moderator"), side[..., None] * polar["beta"])
    if clusters is not None:
        values["between"] = (("chain", "draw"), tau * np.sin(polar["split"]))
        values["within"] = (("chain", "draw"), tau * np.cos(polar["split"]))
    coordinates: dict[str, Any] = {"chain": np.arange(chains), "draw": np.arange(draws)}
    if slopes:
        coordinates["moderator"] = list(names)
    kept = xr.Dataset(values, coordinates, {"seed": seed, "tune": tune, "sampler": _sampler_name()})
    return series[0], measure(kept, statistics), kept


def to_arviz(posterior: xr.Dataset, **groups: xr.Dataset) -> Any:
    """The draws as the native object of the ArviZ that is installed: DataTree, or InferenceData before ArviZ 1.

    Parameters
    ----------
    posterior : Dataset
        Draws with dims chain, draw.
    **groups : Dataset
        Further groups by ArviZ's names: ``sample_stats=``, ``observed_data=``, ``constant_data=``...
    """
    with quiet:
        import arviz
    parts: dict[str, Any] = {"posterior": posterior, **groups}
    if int(arviz.__version__.split(".")[0]) == 0:
        return arviz.InferenceData(**parts)
    return xr.DataTree.from_dict(parts)


def model_of(
    evidence: Sequence[Evidence],
    copies: ArrayLike,
    priors: Priors,
    *,
    series: list[Series] | None = None,
    columns: Array | None = None,
    names: Sequence[str] = (),
    load: Array | None = None,
    clusters: NDArray[np.intp] | None = None,
    panels: Sequence[str] = (),
) -> Any:
    """The ``pymc.Model`` that chains are drawn from.

    Parameters
    ----------
    evidence, copies, priors, columns, names, load, clusters
        As for `sample` and `sample_moderated`.
    series : list of Series, optional
        Of the same panels, where they are at hand.
    panels : sequence of str
        What they are called.
    """
    gammas, shares = overdispersions(evidence)
    series = series or [Series.build(evidence, copies, float(gamma)) for gamma in gammas]
    X = np.zeros((len(evidence), 0)) if columns is None else columns
    ruler = _ruler(series[len(series) // 2])
    with quiet:
        return build(
            series, shares, priors, X, ruler, 1.0 if load is None else load, clusters, names=names, panels=panels
        )


def _seen(series: Series) -> tuple[Array, Array]:
    """Mean and mean square of each panel's own d-prime, told by itself alone."""
    axis = series.axis
    logs = np.stack([e.log_likelihood(axis, series.gamma) for e in series.evidence]) - 0.5 * (axis / 1.5) ** 2
    weight = softmax(logs, axis=1)
    return weight @ axis, weight @ axis**2


def _ruler(series: Series) -> Ruler:
    """How far, and how surely, the panels tell their distance."""
    own, square = _seen(series)
    width = np.sqrt(np.maximum(square - own**2, 0.0))
    panels = float(series.copies.sum())
    copies = series.copies / series.copies.sum()
    distance = float(np.sqrt(copies @ square))
    return Ruler(float(np.log(distance)), float(np.sqrt(copies @ width**2 / panels)) / distance, panels)


def _starts(series: Series, slopes: int, chains: int, rng: np.random.Generator) -> list[dict[str, Any]]:
    """A start for each chain: scattered around the panels' separate estimates, in reach of them all."""
    (own, square), ruler = _seen(series), _ruler(series)
    width = np.sqrt(np.maximum(square - own**2, 0.0))
    copies = series.copies / series.copies.sum()
    mu = float(copies @ own)
    off = np.abs(own - mu)
    tau = max(float(copies @ (off + width)), float(off.max()) / 4, 1e-4)
    starts = []
    for _ in range(chains):
        m, t = mu + tau * rng.uniform(-1, 1), tau * np.exp(rng.uniform(-0.5, 1.0))
        m = m if series.directed else abs(m)
        R, a = np.hypot(m, t), np.arctan2(t, m)
        start: dict[str, Any] = {"z": float((np.log(R) - ruler.middle) / ruler.width(np.sin(a))), "a": float(a)}
        starts.append(start | ({"beta": rng.normal(0, 0.1 * tau, slopes)} if slopes else {}))
    return starts


def _run(*arguments: Any, **options: Any) -> tuple[dict[str, Array], xr.Dataset]:
    """As `_sampled`; an interrupt comes out as one, with nothing of the compiled code or the compiler it struck."""
    with _interrupts_held() as interrupts:
        try:
            found = _sampled(*arguments, interrupts=interrupts, **options)
        except BaseException as error:
            if interrupts or _by_interrupt(error):
                raise KeyboardInterrupt(_STOPPED) from None
            raise
    if interrupts:
        raise KeyboardInterrupt(_STOPPED)
    return found


@contextmanager
def _interrupts_held() -> Iterator[list[int]]:
    """Hold Ctrl-C back until the next draw, as compilers do not survive it; a second one strikes at once."""
    caught: list[int] = []
    usual = signal.getsignal(signal.SIGINT)
    if not callable(usual) or threading.current_thread() is not threading.main_thread():
        yield caught
        return

    def note(number: int, frame: Any) -> None:
        caught.append(number)
        if len(caught) > 1:
            usual(number, frame)

    signal.signal(signal.SIGINT, note)
    try:
        yield caught
    finally:
        signal.signal(signal.SIGINT, usual)


def _by_interrupt(error: BaseException | None) -> bool:
    """Whether a keyboard interrupt led to the error; compiled code reports one as a result with an exception set."""
    while error is not None and not isinstance(error, KeyboardInterrupt | _Interrupted):
        if isinstance(error, SystemError) and "exception set" in str(error):
            return True
        error = error.__cause__ or error.__context__
    return error is not None


def _sampled(
    model: Any,
    series: list[Series],
    starts: list[dict[str, Any]],
    draws: int,
    tune: int,
    seed: int,
    progress: bool,
    *,
    interrupts: list[int],
) -> tuple[dict[str, Array], xr.Dataset]:
    """Sample the model in PyMC, and keep plain arrays of shape (chains, draws, ...)."""
    given = {"chains": (len(starts), 2), "draws": (draws, 4), "tune": (tune, 1)}
    if wrong := [f"{name} >= {least} (got {value})" for name, (value, least) in given.items() if value < least]:
        raise ValueError(
            f"sampling needs {', '.join(wrong)}; there are several chains because they are compared. Leave draws "
            "and chains out for 4 chains of 1000 draws."
        )
    with quiet:
        import pymc as pm

        with model:
            compiled = {"mode": "NUMBA"}  # the same in both generations, and needs no C compiler
            accept = IN_TAILS if len(series) > 1 else TARGET_ACCEPT
            scales = _scales(model.initial_point(), not series[0].directed)
            step = pm.NUTS(potential=scales, target_accept=accept, compile_kwargs=compiled)
            seen = np.zeros(len(starts), int)

            def watch(trace: Any, draw: Any) -> None:
                if interrupts or (draw.chain and seen[draw.chain - 1] < tune + draws):
                    raise _Interrupted  # PyMC takes an interrupt for the end of one chain and goes on with the next
                seen[draw.chain] += 1

            result = pm.sample(
                draws,
                tune=tune,
                chains=len(starts),
                cores=1,
                step=step,
                initvals=starts,
                random_seed=seed,
                compile_kwargs=compiled,
                compute_convergence_checks=False,
                progressbar="combined" if progress else False,  # one bar; the sampler's own numbers become advice
                callback=watch,
            )
            if seen.sum() < len(starts) * (tune + draws):
                raise _Interrupted
    names = [name for name in ("R", "a", "beta", "split") if name in result["posterior"]]
    statistics = xr.Dataset(result["sample_stats"].data_vars)
    return {name: np.asarray(result["posterior"][name]) for name in names}, statistics


def _scales(point: dict[str, Array], mirrored: bool) -> Any:
    """How the sampler learns the width of each coordinate while it tunes.

    PyMC's own choice learns from the last one or two hundred draws of tuning, and from both halves of a mirrored
    posterior as one: too wide, and unsteady as chains change sides. This one learns from windows that double (600 of
    1000 draws), of one half.
    """
    from pymc.step_methods.hmc.quadpotential import QuadPotentialDiagAdapt

    signs = {name: -1.0 if name in ("a_interval__", "beta") else 1.0 for name in point}
    mirror = np.concatenate([np.full(np.size(value), signs[name]) for name, value in point.items()])
    angle = list(point).index("a_interval__")

    class Scales(QuadPotentialDiagAdapt):  # type: ignore[misc]  # a class of PyMC, which gives no types
        def update(self, sample: Array, grad: Array, tune: bool) -> None:
            super().update(sample * mirror if mirrored and sample[angle] > 0 else sample, grad, tune)

    n = mirror.size  # without early_update a window that doubles is never full, and nothing is learned
    return Scales(n, np.zeros(n), np.ones(n), 10, adaptation_window_multiplier=2, early_update=True)


class _Interrupted(BaseException):
    """Carries a keyboard interrupt past PyMC."""


def _overdispersion_of_each(
    series: list[Series], shares: NDArray[np.floating], mu: Array, tau: Array, rng: np.random.Generator
) -> NDArray[np.intp]:
    """One overdispersion for each draw, from its posterior given the rest; indices into `series`."""
    if len(series) == 1:
        return np.zeros(mu.shape, int)
    logs = log_likelihoods(series, mu.ravel(), tau.ravel()).T
    running = np.cumsum(softmax(logs + np.log(shares), axis=1), axis=1)
    which = (running < rng.random((len(running), 1))).sum(axis=1)
    return np.minimum(which, len(series) - 1).reshape(mu.shape)


def _posterior(series: list[Series], mu: Array, tau: Array, which: NDArray[np.intp]) -> Posterior:
    """Equally weighted nodes, one patch for each overdispersion that was drawn."""
    patches = []
    for g, s in enumerate(series):
        here = which == g
        if here.any():
            n = int(here.sum())
            patches.append(Patch(s, n / which.size, mu[here], tau[here], np.full(n, 1 / n)))
    return Posterior(tuple(patches), "mcmc")


def _sampler_name() -> str:
    from importlib.metadata import version

    return f"PyMC {version('pymc')}, NUTS"

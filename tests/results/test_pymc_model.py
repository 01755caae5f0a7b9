"""The model handed out is the one that is sampled, and what is added to it has the right values and gradients."""

import numpy as np
import pytest

import metasense as ms
from metasense.engine import sampler

TABLE = {
    "panel": list("ABCDEF"), "protocol": "triangle", "tastings": 24, "correct": [8, 10, 13, 15, 8, 17],
    "x": [1, 2, 3, 5, 6, 7], "batch_pair": list("uuvvww"),
}  # fmt: skip
FORCED = [p for p in ms.PROTOCOLS.values() if isinstance(p, ms.Protocol)]


@pytest.mark.parametrize("protocol", FORCED, ids=lambda p: p.name)
def test_rates_in_pymc_are_those_of_the_protocol_and_have_its_slope(protocol):
    from metasense.protocols import _cosines

    w, coefficients = _cosines(protocol)
    assert len(w) < 130
    d = np.linspace(-13 if protocol.directed else 0, 13, 1001)
    turned = np.multiply.outer(d + (24 if protocol.directed else 0), w)
    assert np.cos(turned) @ coefficients == pytest.approx(protocol.p_correct(d), abs=1e-12)
    assert -(np.sin(turned) * w) @ coefficients == pytest.approx(protocol.slope(d), abs=1e-12)


@pytest.mark.mcmc
def test_pytensor_agrees_and_its_gradient_is_that_of_finite_differences():
    import pytensor
    import pytensor.tensor as pt

    d = pt.dvector("d")
    outputs = []
    for name in ("triangle", "2-AFC"):
        p = ms.protocol(name).p_correct_in_pymc(d)
        outputs += [p, pt.grad(p.sum(), d)]
    found = pytensor.function([d], outputs, mode="FAST_COMPILE")
    at, step = np.array([-2.0, -0.3, 0.0, 0.7, 2.0, 9.0]), 1e-5
    above, below = found(at + step), found(at - step)
    for k, name in enumerate(("triangle", "2-AFC")):
        value, gradient = found(at)[2 * k : 2 * k + 2]
        assert value == pytest.approx(ms.protocol(name).p_correct(at), abs=1e-10)
        assert gradient == pytest.approx((above[2 * k] - below[2 * k]) / (2 * step), abs=1e-8)
    assert 0 < float(ms.protocol("2-AFC").p_correct_in_pymc(-20.0).eval()) < 1e-10
    assert float(ms.protocol("triangle").p_correct_in_pymc(20.0).eval()) < 1


@pytest.mark.mcmc
@pytest.mark.parametrize("asked", [{}, {"moderators": "x"}, {"moderators": "x", "within": "batch_pair"}], ids=str)
def test_the_sampler_draws_from_the_model_that_is_handed_out(asked, monkeypatch):
    """The chains are stopped where they would begin, and the two models compared there."""

    class Stopped(Exception):
        pass

    seen = []

    def run(model, *rest):
        seen.append(model)
        raise Stopped

    monkeypatch.setattr(sampler, "_run", run)
    if asked:  # the plain pool beside it is not asked about here
        monkeypatch.setattr("metasense.results.pooling._sampled", lambda core, progress: core)
    with pytest.raises(Stopped):
        ms.pool(TABLE, **asked, method="mcmc")
    ours, theirs = ms.pymc_model(TABLE, **asked), seen[0]
    assert [v.name for v in ours.free_RVs] == [v.name for v in theirs.free_RVs]
    point = {name: value + 0.1 for name, value in theirs.initial_point().items()}
    values = [
        float(model.compile_fn(model.logp(), inputs=model.value_vars, point_fn=True, mode="FAST_COMPILE")(point))
        for model in (ours, theirs)
    ]
    assert values[0] == values[1] and np.isfinite(values[0])
    assert {"mu", "tau"} <= {v.name for v in ours.deterministics}
    if asked:
        assert ours.named_vars_to_dims["beta"] == ("moderator",) and ours.coords["moderator"] == ("x",)
        assert ours.coords["panel"] == tuple("ABCDEF")
    else:
        assert ours.coords["panel"] == ("A, E", "B", "C", "D", "F")  # equal counts, one term of the likelihood


@pytest.mark.mcmc
def test_a_level_alone_is_stated_and_what_cannot_be_is_refused():
    model = ms.pymc_model(TABLE, within="batch_pair")
    assert {"between", "within"} <= {v.name for v in model.deterministics}
    with pytest.raises(ValueError, match="interaction names two of the moderators"):
        ms.pymc_model(TABLE, interaction=("x", "y"))
    with pytest.raises(ms.PanelsError, match="cannot answer this"):
        ms.pymc_model(TABLE, moderators="weeks")

"""Is the plain PyMC model the model of the kernel? Where nothing is integrated, to the last digit.

With several lots and percent data the kernel integrates nothing out, so its density and PyMC's
must differ by one constant over any points.
"""

from __future__ import annotations

import numpy as np
import pytest
from test_kernel import case, density

from durability.inference.coordinates import spread_of_score
from durability.inference.graph import plain_model
from durability.inference.kernel import half_normal_score


@pytest.mark.parametrize("errors", ["lognormal", "normal"])
@pytest.mark.parametrize("censored", [False, True])
def test_the_plain_pymc_model_has_the_kernels_density(errors, censored):
    it = case(errors, censored, 3, "logistic", True)
    logp = plain_model(it.model).compile_logp(mode="FAST_COMPILE")
    gaps = []
    for y in it.points(20):
        theta = it.theta(y)
        score = theta[it.layout.scale.start]
        point = {
            "log_threshold_dose": theta[it.layout.main] + asked_less_anchor(it, theta),
            "shape_k_log__": theta[it.layout.shape],
            "strip_spread_log__": theta[it.layout.spread],
            "lot_spread_of_threshold_log__": np.log(
                spread_of_score(score, "lot_spread_of_threshold")
            ),
            "lot_effect": theta[it.layout.effect],
        }
        ours = density(it.raw, theta)[0] - np.log(half_normal_score(score)[1])
        gaps.append(float(logp(point)) - ours)
    # PyMC's own normal distribution function is off by up to about 1e-7; the kernel's is not
    assert np.ptp(gaps) < (1e-6 if censored else 1e-8)


def asked_less_anchor(it, theta):
    """The kernel's main effect is at the anchor fraction, PyMC's at the fraction asked."""
    law, model = it.model.law, it.model
    shape = {"k": np.exp(theta[it.layout.shape])[model.main_product]}
    anchor = model.anchor[model.main_product]
    return np.log(law.inverse(model.fraction, shape) / law.inverse(anchor, shape))

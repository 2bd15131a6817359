"""Small fits that many tests of the checks share; makes `known_truth` importable here too."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from durability import fit
from durability.inference import Fit, Sampler

QUICK = Sampler(draws=500, tune=200, chains=2)
DOSES = (0.0, 100.0, 200.0, 300.0, 450.0, 600.0)


@pytest.fixture(scope="session")
def quick() -> Sampler:
    return QUICK


@pytest.fixture(scope="session")
def study():
    """Three lots of one product by the stretched exponential, half lost at 300."""
    from known_truth import strips_of, study_of, truth_of

    return study_of(strips_of(np.random.default_rng(4), truth_of(300.0), doses=DOSES, strips=5))


@pytest.fixture(scope="session")
def right(study) -> Fit:
    return fit(study, sampler=QUICK, seed=1)


@pytest.fixture(scope="session")
def wrong(study) -> Fit:
    """The same strips by a law that they do not follow."""
    return fit(study, law="hyperbolic", sampler=QUICK, seed=1)

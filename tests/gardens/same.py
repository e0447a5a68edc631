"""Whether two results are the same, to the last digit."""

from __future__ import annotations

import dataclasses

import numpy as np

from trialkit.gardens.stage_one import TrialMeans


def same_stage(one: object, other: object) -> None:
    """Fails unless both are stage-1 results that hold the same in every field."""
    assert isinstance(one, TrialMeans)
    assert isinstance(other, TrialMeans)
    for field in dataclasses.fields(TrialMeans):
        left, right = getattr(one, field.name), getattr(other, field.name)
        if isinstance(left, np.ndarray):
            np.testing.assert_array_equal(left, right, err_msg=field.name)
        else:
            assert repr(left) == repr(right), field.name

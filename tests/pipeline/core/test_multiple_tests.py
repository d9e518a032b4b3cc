"""Holm's rule against a hand calculation and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from pipeline.core.multiple_tests import holm


def test_holms_rule_by_hand() -> None:
    # Four tests at 0.05: 0.01 <= 0.05/4, 0.015 <= 0.05/3, 0.04 > 0.05/2 ends it.
    assert holm([0.04, 0.01, 0.6, 0.015], 0.05) == [False, True, False, True]
    assert holm([], 0.05) == []


@pytest.mark.parametrize("seed", range(5))
def test_holms_rule_is_that_of_statsmodels(seed: int) -> None:
    p_values = np.random.default_rng(seed).beta(0.2, 3, 12).round(3).tolist()

    found = holm(p_values, 0.05)

    assert found == multipletests(p_values, 0.05, method="holm")[0].tolist()
    assert 0 < sum(found) < 12

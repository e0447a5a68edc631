"""How many blocks, plants and picks it takes: exact where it can be, else simulated seasons."""

from trialkit.power.exact import (
    ALL_PAIRS,
    PAIR,
    TESTS,
    WITH_CHECK,
    Claims,
    Setup,
    Spread,
    difference_variance,
    error_df,
    f_power,
    plot_variance,
    power_of_any,
    power_of_pairs,
    power_of_treatment,
    power_to_see,
    setup_of,
    smallest_ratio,
    smallest_treatment_ratio,
)

__all__ = [
    "ALL_PAIRS", "PAIR", "TESTS", "WITH_CHECK", "Claims", "Setup", "Spread",
    "difference_variance", "error_df", "f_power", "plot_variance",
    "power_of_any", "power_of_pairs", "power_of_treatment", "power_to_see", "setup_of",
    "smallest_ratio", "smallest_treatment_ratio",
]  # fmt: skip

"""The one error this package raises on purpose."""

from __future__ import annotations

from trialkit.errors import TrialkitError


class MixedModelError(TrialkitError, ValueError):
    """A model that cannot be fitted or a question the fit cannot answer.

    The message names the column or term at fault and says what to do about it.
    """

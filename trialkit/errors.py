"""The family of errors that are a word to the user and no fault of the program."""

from __future__ import annotations


class TrialkitError(Exception):
    """What every error raised on purpose is: catch this one to catch them all.

    Its message says what is wrong and what to write or do.  Any other exception is a fault of
    the program.
    """


class MixedModelError(TrialkitError, ValueError):
    """A model that cannot be fitted or a question the fit cannot answer.

    The message names the column or term at fault and says what to do about it.
    """

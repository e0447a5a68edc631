"""Honest side-by-side variety trials for people who grow food."""

__version__ = "0.1.0"

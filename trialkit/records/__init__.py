"""Reading, checking and storing a trial's records; nothing here knows a model."""

from trialkit.records.findings import RecordsError
from trialkit.records.read import Records, read_records

__all__ = ["Records", "RecordsError", "read_records"]

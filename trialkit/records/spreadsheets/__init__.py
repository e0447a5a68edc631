"""Spreadsheets as people keep them: what stands where in a sheet, and what it says."""

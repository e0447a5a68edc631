"""How what people write is read: numbers, units, dates, names; and how a slip is reported.

Nothing here knows of trials or files.  Every function takes one text and gives one value, or
raises `Unreadable`, which says what is wrong and what would do.
"""

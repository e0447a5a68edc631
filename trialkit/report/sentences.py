"""Sentences of the report's open part, each whole, with its parts by name.

One home for them, so that they are read and mended together, and another language can follow.
A sentence is filled in with `str.format`; nothing is put together from halves.
"""

from __future__ import annotations

# The answer in four words; a variety's name counts as one.
WON = "{variety} won"
BEAT = "{variety} beat the check"
GAVE_MOST = "{variety} gave most"
LEADS = "{variety} leads so far"
LEVEL = "Too close to matter"
CLOSE = "Too close to call"
EARLY = "Too early to say"
NOTHING_YET = "Nothing picked yet"
NO_HARVEST_YET = "Nothing to compare yet"
ROWS = "Rows can't be compared"
UNFAIR = "No fair comparison"

ALONE = "Only one variety"
OPEN = "Not comparable yet"

# What a reader may make of the mark.
ACT = "you can act on it"
AHEAD = "clear so far, not final"
LUCK = "it could be luck"
SMALL_GAP = "the gap is too small to matter"
WAIT = "wait for more picks"
LAYOUT = "this layout can't tell"
NEEDED = "one question to answer first"
NEIGHBOUR = "nothing to compare it with"
MEANS = {"Firm": ACT, "Leaning": LUCK, "Too close": LUCK, "Level": SMALL_GAP, "Too soon": WAIT,
         "No comparison": NEEDED}

# The sheet to pin up.
INVENTED = "Invented data: made up to show what this looks like."
PLANTED = "{plants} of {varieties}, all planted on {day}."
PICKED = "All {counted} counted by eye at {picks}; a lost plant's gap counts."
WHOLE = "The whole report: {address}"
NEXT = "Next: {step}"

# The trade's own words, once on the page.
CHECK_MEANS = "Check: the variety you would grow anyway, the one to beat. Here it is {check}."
PLOT_MEANS = "Plot: one variety's plants together in one spot."
BLOCK_MEANS = "Block: plots on like ground, normally one of each variety."
PART_BLOCK_MEANS = "Block: plots on like ground, here with some of the varieties."
REPLICATE_MEANS = "Replicate: blocks that together hold every variety once."
PICK_MEANS = "Pick: one round of picking and counting."
PLANTED_MEANS = "Per plant planted: the crop over every plant set out, lost ones too."
RANGE_MEANS = "Likely range: where the true figure probably lies."

"""Recording in the garden: the page a phone uses between the rows.

What leaves the phone is a CSV file (RFC 4180, UTF-8), one row a record:

record_id   unique; every tap that changes a value makes a new one
recorded_at ISO 8601 with the phone's offset from Greenwich; the clock may be wrong, so the order
            of the rows counts, not this
date        the day of the pick, as chosen at the start
plant       as in plants.csv
kind        count, weight, height, note, lost, topped, not-looked, undo; of a trait of the
            gardener's own "trait:" and its name
value       the number for count, weight and height; of a trait of one's own its value as in
            traits.csv; for undo, the record_id it takes back
unit        of weight and height; empty where the value says its own, as 5'6" does
note        the text of a note, the reason of a loss
device      the name given to the phone, and four letters or digits that tell two phones apart
check       the line's place, the number of lines, and a CRC-32 of the check before and this line

At most one row of a kind stands for a plant and day on one phone: a change after the file was
seen or sent leaves the old row, takes it back with an undo row and adds the new one. So a later
file of a pick begins with the rows of the earlier one, and reading it twice, or both, gives the
same. A count of 0 is a row; a plant nobody looked at has a not-looked row or none at all.

Texts that a spreadsheet would run as a formula have an apostrophe before them.
"""

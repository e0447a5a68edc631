"""Variety names that a page, a drawing or a terminal could trip over."""

NAMES = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(2)>',
    r"$\alpha$ & co",
    "A name that goes on and on, as names of varieties in a seed list now and then do, to the end",
    "שעועית גבוהה",
    "Bean 🌱",
)

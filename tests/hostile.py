"""Variety names that a page, a drawing or a terminal could trip over."""

NAMES = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(2)>',
    r"$\alpha$ & co",
    "Anamethatgoesonandonwithoutanyplacetobreakitasnoseedlistwouldprintit, and then on",
    "שעועית גבוהה",
    "Bean 🌱",
)

"""How the season was worked out: the method's note, in plain words and in full."""

from __future__ import annotations

from trialkit.gardens.apart import Apart
from trialkit.gardens.fitting import LEVEL, SecondFit
from trialkit.gardens.rows import Rows
from trialkit.models.results import MethodNote


def method(rows: Rows, second: SecondFit | None, found: Apart) -> MethodNote:
    """The method of this season's answer."""
    if second is None:
        return MethodNote(
            "The varieties' means over the trials, each trial's general level taken out.",
            "Least squares on varieties and trials; no interval, since no error can be estimated.",
        )
    single = sum(not one.replicated for one in rows.firsts)
    several = len(rows.firsts) > 1
    plain = ("Each trial is worked out by itself; then the trials are put together, each weighted "
             "by how well it knows its means.")
    if not second.known:
        plain = ("Each variety stood in one plot a trial, so that each trial counts as one block "
                 "and the trials together are worked out as a trial in blocks.")
    full = ("Two stages (Piepho, Moehring, Schulz-Streeck & Ogutu 2012). Stage 1: each trial's own "
            "model gives its variety means with their full covariance matrix. Stage 2: linear "
            "mixed model by REML, variety"
            + ((" and trial" if LEVEL not in second.terms else "") + " fixed"))
    full += (", the covariance of stage 1 known. " if second.known else
             "; the residual is variety x trial and the row's own error in one. ")
    if single and second.known:
        full += (f"{single} trials without repeats: their rows carry the error of a single plot "
                 "as the other trials measured it, and a variance of their own on top. ")
    if several:
        full += ("Intervals: Kenward and Roger 1997, the degrees of freedom never more than "
                 f"varieties and trials leave ({second.df:g}); against the check Dunnett's, or "
                 "Bonferroni's where the differences have unlike degrees of freedom or there is no "
                 "check. ")
    else:
        full += "Intervals are those of the one trial. "
    full += ("Another garden: the variances of variety x garden, variety x year and variety x "
             "trial are added, the degrees of freedom Satterthwaite's (1946); each interval is for "
             "its own variety; chances from 20,000 draws of "
             "the joint t distribution. Evenness: regression on the trial's mean (Finlay and "
             "Wilkinson 1963) and each variety's own variance (Shukla 1972). Turned orders: named "
             "where intervals simultaneous over gardens and varieties lie on opposite sides. ")
    zero = [name for name, sd in second.terms.items() if sd <= 1e-6]
    notes = [*second.left_out, *(f"{name} estimated as zero" for name in zero)]
    if notes:
        full += "Notes: " + "; ".join(notes) + "."
    figures = {f"sd {name}": sd for name, sd in second.terms.items()}
    groups = tuple(second.terms)
    return MethodNote(plain, full.strip(), second.fit.formula, groups,
                      f"Kenward-Roger, {found.df:.4g}", figures)

"""Letters display: the fewest letters that cover every pair not told apart.

A letter may be shared only by levels no two of which differ, so a letter is a clique of the
"not different" graph and the display is a clique cover of its edges.  Insert-and-absorb
(Piepho 2004, J. Comput. Graph. Stat. 13:456) finds all maximal cliques; those whose every
edge is covered by others are then swept out, and a search makes the cover minimal.
"""

from __future__ import annotations

import itertools


def minimal_letters(order: list[str], different: set[frozenset[str]]) -> dict[str, str]:
    """Letters of each level; ``order`` sets which level gets "a" first.

    different: pairs of levels that are told apart.  Every pair outside it shares a letter, no
    pair inside it does.
    """
    cliques = _maximal_cliques(order, different)
    chosen = _fewest(order, cliques, different)
    rank = {name: i for i, name in enumerate(order)}
    chosen.sort(key=lambda c: sorted(rank[m] for m in c))
    out = dict.fromkeys(order, "")
    for letter, clique in zip(_alphabet(), chosen, strict=False):
        for name in clique:
            out[name] += letter
    return out


def _alphabet() -> itertools.chain[str]:
    lower = "abcdefghijklmnopqrstuvwxyz"
    return itertools.chain(lower, lower.upper(), (f"({i})" for i in itertools.count(1)))


def _maximal_cliques(order: list[str], different: set[frozenset[str]]) -> list[frozenset[str]]:
    """Insert each difference by splitting the sets that hold both; absorb contained sets."""
    sets = [frozenset(order)]
    for pair in sorted(different, key=sorted):
        left, right = sorted(pair)
        split: list[frozenset[str]] = []
        for s in sets:
            split += [s - {left}, s - {right}] if pair <= s else [s]
        unique = list(dict.fromkeys(split))
        sets = [s for s in unique if not any(s < other for other in unique)]
    return [s for s in sets if s]


def _fewest(
    order: list[str], cliques: list[frozenset[str]], different: set[frozenset[str]]
) -> list[frozenset[str]]:
    """A smallest set of cliques that covers all edges and all lone levels."""
    wanted = {
        frozenset(pair)
        for pair in itertools.combinations(order, 2)
        if frozenset(pair) not in different
    }
    touched = {name for pair in wanted for name in pair}
    wanted |= {frozenset((name,)) for name in order if name not in touched}
    covers = [{w for w in wanted if w <= c} for c in cliques]
    best = _sweep(list(range(len(cliques))), covers, wanted)
    if len(cliques) <= 16:
        for size in range(1, len(best)):
            for trial in itertools.combinations(range(len(cliques)), size):
                if set().union(*(covers[i] for i in trial)) == wanted:
                    return [cliques[i] for i in trial]
    return [cliques[i] for i in best]


def _sweep(
    kept: list[int], covers: list[set[frozenset[str]]], wanted: set[frozenset[str]]
) -> list[int]:
    """Drop cliques that the others make needless, smallest first."""
    for i in sorted(kept, key=lambda k: len(covers[k])):
        rest = [k for k in kept if k != i]
        if set().union(*(covers[k] for k in rest)) >= wanted if rest else not wanted:
            kept = rest
    return kept

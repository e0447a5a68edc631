"""Fitting plots into a bed: how many along a row, how blocks lie to the light.

Plots of one block should share the same light and soil. Where the sun or shade comes from
a known side, a block lies as a band at one distance from it; otherwise blocks are kept as
square as they can be, so that their plots are close together (both are common practice;
Cochran & Cox 1957, section 4.2, give compact blocks as the rule).
"""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.design.geometry import BedGeometry, compass_in, on_map
from trialkit.design.request import COMPLETELY_RANDOMISED, PlanProblem, PlanRequest


@dataclass(frozen=True)
class Arrangement:
    """Plots of a block and blocks of a bed, as down x along counts."""

    block_down: int
    block_along: int
    blocks_down: int
    blocks_along: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of plots in the bed."""
        return self.block_down * self.blocks_down, self.block_along * self.blocks_along


def changes_along(sun: str | None, top: str) -> str | None:
    """Which way the light changes: "along" the rows, "across" them, or None if not said."""
    side = compass_in(sun)
    if side is None:
        return None
    right, up = on_map(side, top)
    return "along" if abs(right) >= abs(up) else "across"


def plot_size_cm(request: PlanRequest) -> tuple[float, float]:
    """Length along the row and width across it of one whole plot."""
    along = request.plants // request.plot_rows * request.parts
    return along * request.plant_spacing_cm, request.plot_rows * request.row_spacing_cm


def geometry_for(request: PlanRequest, arrangement: Arrangement) -> BedGeometry:
    """Spacings and the aisles between blocks for an arrangement."""
    along = request.plants // request.plot_rows * request.parts
    down = request.plot_rows
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()
    if request.aisle_cm > 0 and request.design != COMPLETELY_RANDOMISED:
        rows = tuple(
            arrangement.block_down * down * one for one in range(1, arrangement.blocks_down)
        )
        columns = tuple(
            arrangement.block_along * along * one for one in range(1, arrangement.blocks_along)
        )
    return BedGeometry(
        request.row_spacing_cm, request.plant_spacing_cm, request.aisle_cm, rows, columns
    )


def bed_size_cm(request: PlanRequest, arrangement: Arrangement) -> tuple[float, float]:
    """Length along the rows and width across them of the whole bed, guards included."""
    down, along = arrangement.shape
    rows = down * request.plot_rows
    columns = along * (request.plants // request.plot_rows * request.parts)
    return geometry_for(request, arrangement).size_cm(rows, columns, request.guards)


def choose(request: PlanRequest, candidates: list[Arrangement]) -> Arrangement:
    """The candidate that suits the light and the room best.

    Raises PlanProblem when none fits the room or the asked number of plots along a row.
    """
    fitting = candidates
    if request.across is not None:
        fitting = [one for one in candidates if one.shape[1] == request.across]
        if not fitting:
            widths = sorted({one.shape[1] for one in candidates})
            raise PlanProblem(
                [f"{request.across} plots along a row do not come out even with this layout."],
                [f"{', '.join(str(one) for one in widths)} plots along a row"],
            )
    if request.room_cm is not None:
        inside = [one for one in fitting if _fits(request, one)]
        if not inside:
            raise _no_room(request, fitting)
        fitting = inside
    return min(fitting, key=lambda one: _misfit(request, one))


def _fits(request: PlanRequest, arrangement: Arrangement) -> bool:
    assert request.room_cm is not None
    long, wide = bed_size_cm(request, arrangement)
    return long <= request.room_cm[0] + 1e-6 and wide <= request.room_cm[1] + 1e-6


def _no_room(request: PlanRequest, candidates: list[Arrangement]) -> PlanProblem:
    assert request.room_cm is not None
    room_long, room_wide = request.room_cm
    sizes = sorted({bed_size_cm(request, one) for one in candidates})

    def over(size: tuple[float, float]) -> float:
        return max(size[0] / room_long, 1.0) * max(size[1] / room_wide, 1.0)

    nearest = sorted(sizes, key=over)[:3]
    instead = [f"a bed of {long / 100:.2f} x {wide / 100:.2f} m" for long, wide in nearest]
    instead.append("fewer plants in a plot or fewer varieties, but as many blocks as you can")
    return PlanProblem(
        [
            f"{request.count} varieties, {request.blocks} repeats and {request.plants} plants "
            f"in a plot do not fit {room_long / 100:.2f} m along the rows x "
            f"{room_wide / 100:.2f} m across them."
        ],
        instead,
    )


def _misfit(request: PlanRequest, arrangement: Arrangement) -> tuple[float, float]:
    """Lower suits better: first the shape of a block, then that of the bed."""
    plot_long, plot_wide = plot_size_cm(request)
    block_long = arrangement.block_along * plot_long
    block_wide = arrangement.block_down * plot_wide
    light = changes_along(request.sun, request.top)
    if request.design == COMPLETELY_RANDOMISED:
        shape = 1.0
    elif light == "along":
        shape = block_long / block_wide
    elif light == "across":
        shape = block_wide / block_long
    else:
        shape = max(block_long / block_wide, block_wide / block_long)
    long, wide = bed_size_cm(request, arrangement)
    return shape, max(long / wide, wide / long)


def factor_pairs(number: int) -> list[tuple[int, int]]:
    """All (down, along) with down * along == number."""
    return [(one, number // one) for one in range(1, number + 1) if number % one == 0]


def block_candidates(plots_in_block: int, blocks: int) -> list[Arrangement]:
    """Every way to lay complete blocks as rectangles of plots in a rectangle of blocks."""
    return [
        Arrangement(block_down, block_along, blocks_down, blocks_along)
        for block_down, block_along in factor_pairs(plots_in_block)
        for blocks_down, blocks_along in factor_pairs(blocks)
    ]

"""The picture of a plan: the smallest change that a number of sessions detects."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pullbook.quantities import METRIC, Shown
from pullbook.report import canvas
from pullbook.report.drawing import HEAD_LINE, TEXT, Drawing, axes_at, drawn, places_of, scale_ticks, write, write_key
from pullbook.statistics.power import Plan
from pullbook.text import counted, in_brackets

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDE, NARROW = (920, 340), (358, 340)  # [px]


def picture(
    found: Sequence[Plan], *, pulls: int, chosen: Plan | None, asked: float, unit: str = "K", shown: Shown = METRIC
) -> Drawing:
    """Show what plans detect: more sessions help, more pulls a session hardly.

    Parameters
    ----------
    found : sequence of Plan
    pulls : int
        A session, of the plans whose figures are written down.
    chosen : Plan or None
        The smallest that does it.
    asked : float
        The change to detect.
    unit : str
        Of it.
    shown : Shown
        The units to show it in.
    """
    seen = {p: shown.value(p.safe_change, unit) for p in found}
    wish = shown.brief(asked, unit)
    mine = [
        f"{value:.1f} with {counted(p.sessions, 'session')} a side" for p, value in seen.items() if p.pulls == pulls
    ]

    def draw(figure: Figure, inks: canvas.Inks, size: tuple[int, int]) -> None:
        _draw(figure, seen, inks, size, pulls=pulls, chosen=chosen, asked=shown.value(asked, unit), wish=wish,
              unit=in_brackets(shown.unit(unit)))  # fmt: skip

    return drawn(
        draw,
        caption=f"The smallest change you'd detect, 80 % of the time. Dashed: a change of {wish}. More days help "
        "more than more pulls per day.",
        description=f"Smallest change detected 80 % of the time: {', '.join(mine)}. You asked for {wish}.",
        columns=("sessions a side", "pulls per session", f"change{in_brackets(shown.unit(unit))}"),
        rows=[(p.sessions, p.pulls, round(value, 1)) for p, value in seen.items()],
        wide=WIDE,
        narrow=NARROW,
    )


def _draw(
    figure: Figure,
    seen: dict[Plan, float],
    inks: canvas.Inks,
    size: tuple[int, int],
    *,
    pulls: int,
    chosen: Plan | None,
    asked: float,
    wish: str,
    unit: str,
) -> None:
    text, (width, height) = TEXT, size
    head, foot, left = text * (4.6 if width < 36 * text else 3.2), 3.3 * text, 2.6 * text
    axes = axes_at(figure, (left, head, width - left, height - head - foot), inks, text=text)
    sessions = sorted({p.sessions for p in seen})
    aside = 2.2 * text * (sessions[-1] - sessions[0]) / axes.bbox.width
    axes.set_xlim(sessions[0] - aside, sessions[-1] + aside)
    axes.set_ylim(0, 1.12 * max(*seen.values(), asked))
    ticks = scale_ticks(axes, text=text)
    axes.set_yticks(ticks, [f"{tick:.{places_of(ticks)}f}" for tick in ticks])
    axes.yaxis.grid(True, color=inks["line"], linewidth=0.8)
    axes.set_axisbelow(True)
    axes.axhline(asked, color=inks["ink"], linewidth=1.4, linestyle=(0, (5, 3)), zorder=2)
    others = sorted({p.pulls for p in seen} - {pulls})
    for count in (*others, pulls):
        mine = sorted((p for p in seen if p.pulls == count), key=lambda p: p.sessions)
        colour, dashes, wide = (
            (inks["before"], "-", 2.4) if count == pulls
            else (inks["soft"], (0, (1.5, 2.5)), 1.2)
        )  # fmt: skip
        x, y = [p.sessions for p in mine], [seen[p] for p in mine]
        axes.plot(x, y, color=colour, linewidth=wide, linestyle=dashes, zorder=3)
    _write_values(axes, seen, inks, pulls=pulls, chosen=chosen, asked=asked, text=text)
    write(figure, 0, 0.1 * text, f"Smallest change detected{unit}", inks, text=text, weight="bold")
    key = [("line", counted(pulls, "pull") + " per session"), ("dashed", f"{wish}, asked for")]
    if others:
        key.insert(1, ("dotted", f"{' or '.join(map(str, others))} pulls"))
    write_key(figure, key, inks, left=0, top=(HEAD_LINE + 0.1) * text, width=width, text=text)
    axes.annotate(
        "sessions before, and as many after", (0.5, 0), xycoords="axes fraction", xytext=(0, -2.0 * text),
        textcoords="offset points", ha="center", va="top", size=0.92 * text, color=inks["soft"],
    )  # fmt: skip


def _write_values(
    axes: Axes,
    seen: dict[Plan, float],
    inks: canvas.Inks,
    *,
    pulls: int,
    chosen: Plan | None,
    asked: float,
    text: float,
) -> None:
    """Mark each plan, its figure on the side away from what was asked; name the sessions where there is room."""
    low, high = axes.get_xlim()
    room = canvas.text_width("0.0", size=text, bold=True) * (high - low) / axes.bbox.width
    mine = sorted((p for p in seen if p.pulls == pulls), key=lambda p: p.sessions)
    told: list[int] = []
    for p in sorted(mine, key=lambda p: (chosen is None or p.sessions != chosen.sessions, p.sessions)):
        picked = chosen is not None and p.sessions == chosen.sessions
        axes.plot([p.sessions], [seen[p]], marker="o", markersize=(0.9 if picked else 0.5) * text,
                  color=inks["ink" if picked else "before"], zorder=5)  # fmt: skip
        if all(abs(p.sessions - other) > room for other in told):
            told.append(p.sessions)
            above = seen[p] > asked
            axes.annotate(
                f"{seen[p]:.1f}", (p.sessions, seen[p]), size=text, weight="bold",
                xytext=(0.3 * text, 0.4 * text) if above else (0, -0.7 * text), textcoords="offset points",
                ha="left" if above else "center", va="bottom" if above else "top",
                color=inks["ink" if picked else "before"], zorder=6,
            )  # fmt: skip
    axes.set_xticks(sorted(told), [str(count) for count in sorted(told)])

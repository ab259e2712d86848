"""What a training run says while it runs."""

from __future__ import annotations

import sys
from typing import Any


def summary(result: dict[str, Any]) -> str:
    """One measurement in a few lines, the mean's figures in brackets."""
    lines = [f"validation at step {result['step']}, {result['minutes']:.1f} min"]
    for view in ("AP", "lateral"):
        row = result.get("keypoints", {}).get(view)
        if row:
            mae, mean = row["angle_mae_deg"], row["mean_angle_mae_deg"]
            angles = ", ".join(f"{name} {mae[name]:.2f} ({mean[name]:.2f})" for name in mae)
            lines.append(
                f"  {view}: {row['films']} crops, MRE {row['mre_mm']:.2f} mm "
                f"(mean shape {row['mean_shape_mre_mm']:.2f}), SDR@2 {row['sdr']['2']:.3f}, "
                f"MAE deg {angles}"
            )
    place = result["locator"]
    for name, told in result.get("keypoints", {}).get("found", {}).items():
        lines.append(f"  {name}: " + ", ".join(f"{k} {_short(v)}" for k, v in told.items()))
    lines.append("  locator: " + ", ".join(f"{k} {_short(v)}" for k, v in place.items()))
    return "\n".join(lines)


def _short(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}"


class Progress:
    """A bar on a terminal, nothing elsewhere."""

    def __enter__(self) -> Any:
        self._bar: Any = None
        if not sys.stdout.isatty():
            return lambda share, text: None
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._bar = Progress(BarColumn(), TextColumn("{task.description}"), TimeRemainingColumn())
        self._bar.start()
        task = self._bar.add_task("starting", total=1.0)
        return lambda share, text: self._bar.update(task, completed=share, description=text)

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

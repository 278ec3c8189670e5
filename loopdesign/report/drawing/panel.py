"""A panel of a sheet: axes of matplotlib that make no tick before one is asked for.

matplotlib makes four ticks of five artists each with every panel, to carry its settings; more than half of the time of
an empty panel goes there. Its axes keep the same settings in their own record, from which any tick is made when it is
wanted.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from matplotlib.axes import Axes
from matplotlib.axis import XAxis, YAxis

if TYPE_CHECKING:
    from collections.abc import Iterator


class Panel(Axes):
    """Axes whose ticks are made when they are asked for; all else is matplotlib's."""

    def _init_axis(self) -> None:
        """Make both axes, as every projection of matplotlib does by this name."""
        self.xaxis, self.yaxis = _LevelAxis(self, clear=False), _UprightAxis(self, clear=False)
        for name, spine in self.spines.items():
            spine.register_axis(self.xaxis if name in {"bottom", "top"} else self.yaxis)


class _Bare:
    """An axis that keeps settings without making ticks to carry them."""

    def set_tick_params(self, which: str = "major", reset: bool = False, **settings: Any) -> None:  # noqa: ANN401
        """Keep settings of ticks, and hand them to those that exist."""
        with self._as_they_are():
            super().set_tick_params(which, reset, **settings)  # type: ignore[misc]

    def set_clip_path(self, path: Any, transform: Any = None) -> None:  # noqa: ANN401
        """Clip the axis, and the ticks that exist."""
        with self._as_they_are():
            super().set_clip_path(path, transform)  # type: ignore[misc]

    @contextmanager
    def _as_they_are(self) -> Iterator[None]:
        """Let nobody make ticks for a while: a list of them that was never asked for looks empty."""
        unmade = [name for name in ("majorTicks", "minorTicks") if name not in vars(self)]
        vars(self).update((name, []) for name in unmade)
        try:
            yield
        finally:
            for name in unmade:
                vars(self).pop(name, None)


class _LevelAxis(_Bare, XAxis):
    """Horizontal axis."""


class _UprightAxis(_Bare, YAxis):
    """Vertical axis."""

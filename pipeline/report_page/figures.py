"""Figures over the lights: what each was like, how it was registered, and how the noise fell."""

import numpy as np
from matplotlib.ticker import MaxNLocator

from pipeline.report_page.drawing import MARKERS, RATE_LABEL, canvas, draw

__all__ = ["noise_figure", "registration_figure", "timeline_figure"]

PANEL_INCHES = 1.35
"""Height of one panel of a stack of panels."""

WIDE_SPAN = 12.0
"""Ratio of the largest to the smallest number from which on a panel is logarithmic."""

FEWEST_TICKS = 3
"""Labels from which a reader can tell the scale of a logarithmic axis."""

MOST_TICKS = 8
"""Labels that a vertical axis has room for."""


def timeline_figure(evidence, *, alt, caption):
    """Star width, sky, transparency and weight of every light, in order of time."""
    panels = (
        ("star width\n(px)", lambda light: light.number("fwhm_px")),
        (f"sky\n({RATE_LABEL})", lambda light: _mean(light.by_channel("sky_e_s"))),
        ("transparency\n(1 = reference)", _transparency),
        ("weight\n(1 = median)", _relative_weight(evidence)),
    )
    return _panels(evidence, panels, alt=alt, caption=caption)


def registration_figure(evidence, *, alt, caption):
    """Residual of the pose and number of matched stars of every light."""
    panels = (
        ("residual\n(px)", lambda light: light.number("residual_px")),
        ("matched\nstars", lambda light: light.number("n_matched")),
    )
    return _panels(evidence, panels, alt=alt, caption=caption)


def noise_figure(curves, names, *, alt, caption):
    """Noise of 8 x 8 blocks against number of lights, measured while stacking, beside the camera model.

    Parameters
    ----------
    curves : list of NoiseCurve
    names : names of all filter sets, in the order that gives them their colours
    """

    def plot(theme):
        figure, axes = canvas(3.4)
        axis = axes[0, 0]
        labelled = set()
        for curve in curves:
            colour, marker = _identity(theme, names.index(curve.filter_set))
            label = None if curve.filter_set in labelled else curve.filter_set
            labelled.add(curve.filter_set)
            axis.plot(curve.frames, curve.measured, marker, color=colour, label=label)
            axis.plot(curve.frames, curve.ideal, "-", lw=1, color=colour, alpha=0.7)
        axis.set(
            xscale="log",
            yscale="log",
            xlabel="lights in the stack",
            ylabel=f"noise of a block\n({RATE_LABEL})",
        )
        most = max(max(curve.frames) for curve in curves)
        ticks = [n for n in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if n <= most] or [1]
        axis.set_xticks(ticks, [str(n) for n in ticks])
        axis.minorticks_off()
        low, high = axis.get_ylim()
        axis.set_yticks(_log_ticks(low, high))
        axis.yaxis.set_major_formatter("{x:.3g}")
        axis.set_ylim(low, high)
        axis.plot([], [], "-", lw=1, color=theme.ink, label="camera model")
        axis.legend(loc="upper right")
        return figure

    return draw(plot, alt=alt, caption=caption)


def _panels(evidence, panels, *, alt, caption):
    """Panels over the lights in order of time; a panel nobody has numbers for is left out."""
    lights = sorted(evidence.lights, key=lambda light: (light.start_utc, light.path))
    place = {(light.session, light.path): k for k, light in enumerate(lights)}
    panels = [panel for panel in panels if any(panel[1](light) is not None for light in lights)]
    if not panels:
        return None

    def plot(theme):
        figure, axes = canvas(0.75 + PANEL_INCHES * len(panels), len(panels), 1, sharex=True)
        for (label, value), axis in zip(panels, axes[:, 0], strict=True):
            for k, each in enumerate(evidence.filter_sets):
                colour, marker = _identity(theme, k)
                _series(axis, each.used, place, value, marker=marker, color=colour, label=each.name)
                out = [light for light in each.lights if not light.used]
                _series(axis, out, place, value, marker="x", color=colour, label=None)
            axis.set_ylabel(label)
            axis.margins(x=0.02, y=0.12)
            _settle_scale(axis, [number for light in lights if (number := value(light)) is not None])
        _mark_nights(axes[:, 0], lights, theme)
        axes[-1, 0].set(xlabel="light frame, in order of time", xlim=(0.3, len(lights) + 0.7))
        axes[-1, 0].xaxis.get_major_locator().set_params(integer=True)
        handles, labels = axes[0, 0].get_legend_handles_labels()
        if any(not light.used for light in lights):
            handles.append(axes[0, 0].plot([], [], "x", color=theme.ink)[0])
            labels.append("not used")
        if handles:
            figure.legend(handles, labels, loc="outside upper right", ncols=len(handles))
        return figure

    return draw(plot, alt=alt, caption=caption)


def _settle_scale(axis, values):
    """A logarithmic axis where positive numbers span so much that the small ones would lie on the floor."""
    if min(values) > 0 and max(values) > WIDE_SPAN * min(values):
        axis.set_yscale("log")
        axis.yaxis.set_major_formatter("{x:g}")
        axis.minorticks_off()


def _series(axis, lights, place, value, *, marker, color, label):
    points = [(place[light.session, light.path] + 1, value(light)) for light in lights]
    points = [(x, y) for x, y in points if y is not None]
    if points:
        axis.plot(*zip(*points, strict=True), marker, color=color, label=label)


def _mark_nights(axes, lights, theme):
    """A line where a night begins, and its date above the first panel."""
    for k, light in enumerate(lights):
        if k and light.night == lights[k - 1].night:
            continue
        for axis in axes:
            if k:
                axis.axvline(k + 0.5, color=theme.ink, lw=0.8, ls=":")
        axes[0].annotate(
            light.night,
            (k + 0.6, 1.02),
            xycoords=("data", "axes fraction"),
            fontsize="small",
            color=theme.ink,
        )


def _log_ticks(low, high):
    """Round numbers between two limits of a logarithmic axis; fewer over a wide range."""
    powers = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    for steps in ((1, 1.5, 2, 3, 5, 7), (1, 2, 5), (1,)):
        ticks = [tick for power in powers for step in steps if low <= (tick := step * 10.0**power) <= high]
        if len(ticks) <= MOST_TICKS:
            break
    # Less than a factor of two or so: round steps instead of round ratios.
    return (
        ticks
        if len(ticks) >= FEWEST_TICKS
        else [t for t in MaxNLocator(5).tick_values(low, high) if low <= t <= high]
    )


def _transparency(light):
    """Light transmitted relative to the set's reference frame: the inverse of the photometric scale."""
    scale = _mean(light.by_channel("scale"))
    return 1.0 / scale if scale else None


def _relative_weight(evidence):
    medians = {}
    for each in evidence.filter_sets:
        weights = [light.weight for light in each.used if light.weight]
        if weights:
            medians[each.name] = float(np.median(weights))

    def value(light):
        median = medians.get(light.filter_set)
        return light.weight / median if median and light.weight is not None else None

    return value


def _identity(theme, k):
    return theme.series[k % len(theme.series)], MARKERS[k % len(MARKERS)]


def _mean(values):
    return sum(values.values()) / len(values) if values else None

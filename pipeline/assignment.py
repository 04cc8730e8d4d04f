"""Give every session its masters and every flat its pedestal, and say in plain words what is missing.

A match lasts: see :func:`pipeline.matching.choose`. A makeshift (a dark of another exposure) gives way once frames
that really fit turn up.
"""

from collections import defaultdict
from dataclasses import replace
from functools import partial

import numpy as np

from pipeline.matching import Traits, choose
from pipeline.qa import finding

__all__ = ["assign_masters"]

SETTING = ("gain_setting", "offset_setting", "binning", "size", "origin", "cfa")
"""What any two frames need to share before one can be subtracted from the other."""


LONGEST_BIAS_S = 1.0
"""Cameras write up to some hundredths of a second as the exposure of a bias; with more it is hardly one."""


def assign_masters(sessions, masters, options, previous):
    """Match sessions and masters.

    Parameters
    ----------
    sessions : list of SessionPlan
    masters : list of MasterPlan
    options : section "calibration" of the settings
    previous : dict name -> SessionPlan or MasterPlan of the run before

    Returns
    -------
    sessions, masters : with their matches; masters that nobody needs are left out
    """
    shelf = _Shelf(masters, options)
    sessions = [_with_masters(plan, shelf, _kept(previous, plan.name, "masters")) for plan in sessions]
    needed = {name for plan in sessions for name in plan.masters.values() if name}
    by_name = {plan.name: plan for plan in masters}
    complete = {}
    for name in sorted(needed):
        plan = by_name[name]
        if plan.kind == "flat" and not plan.given:
            plan = replace(plan, pedestal=_pedestal(plan, shelf, _kept(previous, name, "pedestal")))
            if plan.pedestal:
                complete[plan.pedestal] = by_name[plan.pedestal]
            else:
                sessions = _told_of_missing_pedestal(sessions, plan, shelf)
        complete[name] = plan
    return sessions, [complete[name] for name in sorted(complete)]


def _told_of_missing_pedestal(sessions, flat, shelf):
    """The sessions; those that use the flat get a note that nothing can be taken off it."""
    near_misses = shelf.pick(Traits.of(flat), "darkflat", "bias", "dark", fields=SETTING)[1]
    message = (
        f"No dark-flat, bias or dark for {flat.name}: the camera's offset stays in it and vignetting is undercorrected."
        f"{_nearest(near_misses)}"
    )
    note = finding("no_pedestal_for_flat", "warn", message)
    return [
        replace(plan, notes=[*plan.notes, note]) if plan.masters["flat"] == flat.name else plan
        for plan in sessions
    ]


class _Shelf:
    """All masters that could be made, by kind."""

    def __init__(self, masters, options):
        self.options = options
        self.of_kind = defaultdict(list)
        for plan in masters:
            self.of_kind[plan.kind].append(Traits.of(plan))
        self.traits = {traits.name: traits for group in self.of_kind.values() for traits in group}

    def pick(self, wanted, *kinds, fields, kept=None, only=lambda traits: True):
        """Name and near misses, see ``choose``."""
        groups = [traits for kind in kinds for traits in self.of_kind[kind] if only(traits)]
        return choose(wanted, groups, self.options, fields=fields, kept=kept)


def _kept(previous, name, field):
    return getattr(previous.get(name), field, None)


def _with_masters(session, shelf, kept):
    kept = kept or {}
    wanted, notes = Traits.of(session), []
    bias = _bias(wanted, shelf, kept.get("bias"))
    dark, near_misses = shelf.pick(
        wanted, "dark", fields=(*SETTING, "temperature_c", "exposure_s"), kept=kept.get("dark")
    )
    if dark is None:
        dark, note = _makeshift_dark(session, wanted, shelf, bias, kept.get("dark"), near_misses)
        notes.append(note)
    flat, near_misses = shelf.pick(
        wanted,
        "flat",
        fields=("filter_set", "binning", "size", "origin", "cfa", "rotation_deg"),
        kept=kept.get("flat"),
    )
    if flat is None:
        message = (
            f"No flat for session {session.name}: vignetting and dust shadows stay in.{_nearest(near_misses)}"
        )
        notes.append(finding("no_matching_flat", "warn", message))
    elif shelf.traits[flat].given:
        # Whoever gives a flat knows of which night it is.
        pass
    elif shelf.traits[flat].night != session.night:
        night = shelf.traits[flat].night
        message = f"Session {session.name} uses the flat of {night}; dust may have moved between."
        notes.append(finding("flat_of_another_night", "info", message, night, session.night))
    return replace(session, masters={"bias": bias, "dark": dark, "flat": flat}, notes=notes)


def _bias(wanted, shelf, kept):
    """Name of a bias or None. Its level depends little on temperature, so one of another temperature is better than none;
    one that was exposed for long is the last choice, for it may be a dark with a wrong name.
    """
    for longest_s in (LONGEST_BIAS_S, np.inf):
        for fields in ((*SETTING, "temperature_c"), SETTING):
            short = partial(_exposed_at_most, longest_s)
            name, _ = shelf.pick(wanted, "bias", fields=fields, kept=kept, only=short)
            if name:
                return name
    return None


def _exposed_at_most(longest_s, traits):
    return traits.exposure_s <= longest_s


def _makeshift_dark(session, wanted, shelf, bias, kept, near_misses):
    """(name or None, note) where no dark has the lights' exposure.

    With a bias, a dark of another exposure is split into bias and thermal part and this is scaled: the shortest of
    those that are longer, since scaling down adds no noise, else the longest of those that need not be scaled by
    more than the config allows. Without a bias, the nearest shorter dark stands for the pedestal.
    """
    fields = (*SETTING, "temperature_c")
    start = f"No dark of {session.exposure_s:g} s for session {session.name}"

    def pick(kinds, only, nearest_first):
        """The fitting exposure that comes first in order, of the best night for it."""
        fitting = [
            traits.exposure_s
            for kind in kinds
            for traits in shelf.of_kind[kind]
            if only(traits) and choose(wanted, [traits], shelf.options, fields=fields)[0]
        ]
        if not fitting:
            return None
        exposure = min(fitting, key=nearest_first)
        return shelf.pick(wanted, *kinds, fields=fields, kept=kept, only=lambda t: t.exposure_s == exposure)[
            0
        ]

    if bias is not None:
        factor = shelf.options["largest_dark_scaling"]
        dark = pick(
            ("dark",),
            lambda traits: traits.exposure_s * factor >= session.exposure_s,
            lambda exposure: (exposure < session.exposure_s, abs(exposure - session.exposure_s)),
        )
        if dark is not None:
            message = f"{start}: the thermal part of {dark} is scaled with the help of the bias."
            return dark, finding("dark_of_other_exposure", "warn", message)
        message = f"{start}: only the bias is subtracted, and thermal current and its pattern stay in.{_nearest(near_misses)}"
        return None, finding("no_matching_dark", "warn", message)
    dark = pick(
        ("dark", "darkflat"),
        lambda traits: True,
        lambda exposure: (exposure > session.exposure_s, abs(exposure - session.exposure_s)),
    )
    if dark is not None:
        message = (
            f"{start}, and no bias to scale another: {dark} is subtracted as the pedestal alone."
            f"{_nearest(near_misses)}"
        )
        return dark, finding("no_matching_dark", "warn", message)
    return None, finding("no_matching_dark", "warn", f"{start}, nor any bias.{_nearest(near_misses)}")


def _pedestal(flat, shelf, kept):
    """Master to subtract from a flat: a dark-flat or dark of its exposure, else a bias, else the nearest dark."""
    wanted = Traits.of(flat)
    for kind, fields in (
        ("darkflat", (*SETTING, "exposure_s")),
        ("dark", (*SETTING, "exposure_s")),
    ):
        name, _ = shelf.pick(wanted, kind, fields=fields, kept=kept)
        if name:
            return name
    bias = _bias(wanted, shelf, kept)
    if bias:
        return bias
    fitting = [
        traits
        for kind in ("darkflat", "dark")
        for traits in shelf.of_kind[kind]
        if choose(wanted, [traits], shelf.options, fields=SETTING)[0]
    ]
    if not fitting:
        return None
    exposure = min((abs(traits.exposure_s - flat.exposure_s), traits.exposure_s) for traits in fitting)[1]
    return shelf.pick(
        wanted,
        "darkflat",
        "dark",
        fields=SETTING,
        kept=kept,
        only=lambda traits: traits.exposure_s == exposure,
    )[0]


def _nearest(near_misses):
    return f" Nearest: {'; '.join(map(str, near_misses))}." if near_misses else ""

"""What the workflow's rules need to know: the plan on disk, and what of the settings and code a step uses.

The rules are built from the files that the inventory left, so there is nothing to find out while the jobs
run.
"""

from functools import cached_property

from pipeline.errors import StageError
from pipeline.layout import Layout
from pipeline.pinning import considered
from pipeline.plan import load_master, load_session
from pipeline.settings.filters import lines_of
from pipeline.usage import code_for, settings_for

__all__ = ["Graph"]


class Graph:
    """The plan of one target, as the rules see it.

    Attributes
    ----------
    settings : complete settings of the target
    layout : Layout
    """

    def __init__(self, settings):
        self.settings = settings
        self.layout = Layout(settings["output"]["folder"])

    @cached_property
    def sessions(self):
        """Session name -> SessionPlan."""
        plans = [load_session(path) for path in sorted(self.layout.root.glob("sessions/*/session.json"))]
        return {plan.name: plan for plan in plans}

    @cached_property
    def filter_sets(self):
        """Names of the filter sets that have lights, in the order of the config."""
        present = {plan.filter_set for plan in self.sessions.values()}
        return [name for name in self.settings["filter_sets"] if name in present]

    @cached_property
    def lines(self):
        """Names of the emission lines that the filter sets with lights are made for, each once."""
        named = [line for name in self.filter_sets for line in lines_of(self.settings["filter_sets"][name])]
        return list(dict.fromkeys(named))

    @property
    def output_scale(self):
        """Pixels of the stacks along the side of one of the anchor."""
        return self.settings["stack"]["output_scale"]

    def sessions_of(self, filter_set):
        """Names of a filter set's sessions, sorted."""
        return sorted(name for name, plan in self.sessions.items() if plan.filter_set == filter_set)

    def filter_set_of(self, session):
        """Name of a session's filter set."""
        return self.sessions[session].filter_set

    def masters_of(self, session):
        """Kind -> file of each master that calibrates a session."""
        named = self.sessions[session].masters
        return {kind: self.layout.master(name) for kind, name in named.items() if name}

    def pedestal_of(self, master):
        """The master that is subtracted first, as a list of one file or none."""
        pedestal = load_master(self.layout.master_plan(master)).pedestal
        return [self.layout.master(pedestal)] if pedestal else []

    def choice(self, filter_set=None):
        """What the anchor, or a filter set's reference frame, is chosen from; see ``pipeline.pinning``."""
        return considered(self.layout, filter_set)

    def settings_for(self, stage, *, sessions=None):
        """The sections that a stage reads; filter sets only if they have lights, or are of ``sessions``."""
        if stage == "inventory":
            wanted = self.settings["filter_sets"]
        else:
            wanted = self.filter_sets if sessions is None else {self.filter_set_of(name) for name in sessions}
        return settings_for(stage, self.settings, filter_sets=wanted)

    def code_for(self, stage):
        """Digest of the code that a stage's result depends on."""
        return code_for(stage)

    def curves(self):
        """Files of the config that hold curves: of the sensor and of the filters with lights."""
        named = [self.settings["camera"]["response"]]
        named += [self.settings["filter_sets"][name]["transmission"] for name in self.filter_sets]
        return [path for path in named if path]

    def results(self):
        """Files that a complete run leaves; raises StageError if there is no inventory to make them from."""
        if not self.sessions:
            raise StageError(
                f"{self.layout.root} holds no session: start with `python -m pipeline run CONFIG`, "
                "which makes the inventory first"
            )
        layout = self.layout
        pictures = [layout.fused(), layout.fused_tiff(), layout.preview(), layout.comparison()]
        return [*pictures, layout.summary(), layout.report()]

"""What all rules share. Kept out of the rules: benchmark files, since each QA record holds time and memory."""

import sys

sys.path.insert(0, workflow.basedir)

from pipeline.errors import PipelineError
from pipeline.graph import Graph
from pipeline.settings.load import load_settings
from pipeline.workflow import quote_interpreter, settle_job_environment

quote_interpreter()
settle_job_environment(workflow.basedir)

if "settings_file" not in config:
    raise WorkflowError("Name the target's config: --config settings_file=FILE")
try:
    graph = Graph(load_settings(config["settings_file"]))
except PipelineError as error:
    raise WorkflowError(str(error))

out = graph.layout
ENVIRONMENT = "environment.yaml"
MEMORY_MB = int(1000 * graph.settings["run"]["memory_gb"])


wildcard_constraints:
    master="[^/]+",
    session="[^/]+",
    filter_set="[A-Za-z0-9]+",


def results(wildcards):
    """Files of a complete run, for ``rule all``."""
    try:
        return graph.results()
    except PipelineError as error:
        raise WorkflowError(str(error))


def held(files, filter_set=None):
    """Measurements that a choice is made from; once it is made, only their existence counts."""
    return ancient(files) if graph.choice(filter_set)["held"] else files

# From raw frames to a fused picture. Start it with `python -m pipeline run CONFIG`, which makes the inventory first.


include: "pipeline/rules/common.smk"
include: "pipeline/rules/inventory.smk"
include: "pipeline/rules/masters.smk"
include: "pipeline/rules/measure.smk"
include: "pipeline/rules/diagnose.smk"
include: "pipeline/rules/anchor.smk"
include: "pipeline/rules/register_filter_set.smk"
include: "pipeline/rules/register_session.smk"
include: "pipeline/rules/stack_session.smk"
include: "pipeline/rules/stack_filter_set.smk"
include: "pipeline/rules/find_stars.smk"
include: "pipeline/rules/survey_sky.smk"
include: "pipeline/rules/flatten.smk"
include: "pipeline/rules/lines.smk"
include: "pipeline/rules/fuse.smk"
include: "pipeline/rules/render.smk"
include: "pipeline/rules/report.smk"


rule all:
    default_target: True
    input:
        results,

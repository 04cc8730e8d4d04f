"""Link one filter set to the anchor."""

from pipeline.job import run_job
from pipeline.stages import register_filter_set

run_job(snakemake, register_filter_set.run)

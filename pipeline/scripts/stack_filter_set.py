"""Merge the sessions of one filter set."""

from pipeline.job import run_job
from pipeline.stages import stack_filter_set

run_job(snakemake, stack_filter_set.run)

"""Measure the lights of one session."""

from pipeline.job import run_job
from pipeline.stages import measure

run_job(snakemake, measure.run)

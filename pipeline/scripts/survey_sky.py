"""Reduce the stack of one filter set to star-free cells."""

from pipeline.job import run_job
from pipeline.stages import survey_sky

run_job(snakemake, survey_sky.run)

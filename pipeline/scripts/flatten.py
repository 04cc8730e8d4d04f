"""Flatten the background of one filter set."""

from pipeline.job import run_job
from pipeline.stages import flatten

run_job(snakemake, flatten.run)

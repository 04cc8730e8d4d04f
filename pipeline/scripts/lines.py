"""Separate lines and continuum."""

from pipeline.job import run_job
from pipeline.stages import lines

run_job(snakemake, lines.run)

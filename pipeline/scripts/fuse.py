"""Fuse lines and continuum."""

from pipeline.job import run_job
from pipeline.stages import fuse

run_job(snakemake, fuse.run)

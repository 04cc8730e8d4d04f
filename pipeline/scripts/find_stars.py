"""Find the stars of the stack of one filter set."""

from pipeline.job import run_job
from pipeline.stages import find_stars

run_job(snakemake, find_stars.run)

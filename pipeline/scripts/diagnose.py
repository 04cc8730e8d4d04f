"""Diagnose one session: tilt, off-axis stars, focus, dust."""

from pipeline.job import run_job
from pipeline.stages import diagnose

run_job(snakemake, diagnose.run)

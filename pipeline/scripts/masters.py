"""Combine calibration frames into one master."""

from pipeline.job import run_job
from pipeline.stages import masters

run_job(snakemake, masters.run)

"""Sort all raw frames into sessions and masters."""

from pipeline.job import run_job
from pipeline.stages import inventory

run_job(snakemake, inventory.run)

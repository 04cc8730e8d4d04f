"""Find the poses of the lights of one session."""

from pipeline.job import run_job
from pipeline.stages import register_session

run_job(snakemake, register_session.run)

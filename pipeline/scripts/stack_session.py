"""Stack the lights of one session."""

from pipeline.job import run_job
from pipeline.stages import stack_session

run_job(snakemake, stack_session.run)

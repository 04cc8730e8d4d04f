"""Choose the anchor."""

from pipeline.job import run_job
from pipeline.stages import anchor

run_job(snakemake, anchor.run)

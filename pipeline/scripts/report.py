"""Write the report."""

from pipeline.job import run_job
from pipeline.stages import report

run_job(snakemake, report.run)

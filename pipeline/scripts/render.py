"""Render the fused picture."""

from pipeline.job import run_job
from pipeline.stages import render

run_job(snakemake, render.run)

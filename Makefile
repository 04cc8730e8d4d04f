# Every recipe works from the folder that holds this file; paths are relative, so that folder may have spaces in its name.

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help

PYTHON ?= python3
VENV ?= .venv
RUN := "$(VENV)/bin/python"
JOBS := $(shell nproc)
DEMO_CONFIG := config/demo.yaml
FRAMES := demo_inputs/frames
SIMULATE := $(RUN) -m demo_inputs.simulate --scene demo_inputs/scene.yaml --out $(FRAMES)

export PYTHONNOUSERSITE := 1
export PIP_DISABLE_PIP_VERSION_CHECK := 1
# As root pip would advise against what is right inside a venv of our own.
export PIP_ROOT_USER_ACTION := ignore

.PHONY: help install install-test demo demo-third-night run check test lint figures config-docs lock clean

help: ## show these lines
	@sed -n 's/^\([a-z-]*\):.*## /make \1|/p' Makefile | column -t -s '|'

install: $(VENV)/kernels.stamp ## make the virtual environment with what the pipeline needs

demo: $(FRAMES)/nights-1-2.stamp ## simulate two nights, process them, show where the results are
	$(RUN) -m pipeline run $(DEMO_CONFIG)

demo-third-night: $(FRAMES)/night-3.stamp ## add a third night, process it, list the jobs that ran
	$(RUN) -m pipeline run $(DEMO_CONFIG)

run: install ## process a target: make run CONFIG=my-target.yaml
	@[[ -n "$(CONFIG)" ]] || { echo "Name the target's config: make run CONFIG=my-target.yaml" >&2; exit 2; }
	$(RUN) -m pipeline run "$(CONFIG)"

check: install ## show what the frames of a target are taken for: make check CONFIG=my-target.yaml
	@[[ -n "$(CONFIG)" ]] || { echo "Name the target's config: make check CONFIG=my-target.yaml" >&2; exit 2; }
	$(RUN) -m pipeline check "$(CONFIG)"

install-test: $(VENV)/test.stamp $(VENV)/kernels.stamp

test: install-test ## run all tests
	$(RUN) -m pytest -n $(JOBS) --dist loadfile

lint: install-test ## style, generated files, workflow rules
	$(RUN) -m ruff check .
	$(RUN) -m ruff format --check .
	$(RUN) -m pipeline config-docs --check
	$(RUN) .ci/lock.py --check

figures: install-test ## the figures of the demo against truth
	$(RUN) -m tests.truth.figures

config-docs: install ## write the config reference from the tables of keys
	$(RUN) -m pipeline config-docs --write

lock: install-test ## write the lock files from what is installed
	$(RUN) .ci/lock.py --write

clean: ## remove what the demo made, and the virtual environment
	rm -rf "$(VENV)" $(FRAMES) $(FRAMES)_truth results/demo .snakemake .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

# Frames that are made again would count as new ones, so they are made only once.
$(FRAMES)/nights-1-2.stamp: demo_inputs/scene.yaml $(wildcard demo_inputs/*.py demo_inputs/nights/*.py) | $(VENV)/kernels.stamp
	rm -rf $(FRAMES) $(FRAMES)_truth
	$(SIMULATE) --nights 1 2
	@touch "$@"

$(FRAMES)/night-3.stamp: $(FRAMES)/nights-1-2.stamp
	$(SIMULATE) --nights 3
	@touch "$@"

$(VENV)/python.stamp:
	@.ci/make-venv "$(PYTHON)" "$(VENV)"
	@touch "$@"

$(VENV)/runtime.stamp: $(VENV)/python.stamp requirements.lock
	@echo "installing the pinned packages (some minutes, once)"
	$(RUN) -m pip install --quiet --requirement requirements.lock
	@touch "$@"

# What numba compiles is kept in the user's cache folder, so that the first run need not do it.
$(VENV)/kernels.stamp: $(VENV)/runtime.stamp $(wildcard pipeline/numerics/*.py)
	@echo "compiling the numeric kernels (about a minute, once)"
	@$(RUN) -m pipeline.kernels
	@touch "$@"

$(VENV)/test.stamp: $(VENV)/runtime.stamp requirements-test.lock
	$(RUN) -m pip install --quiet --requirement requirements.lock --requirement requirements-test.lock
	@touch "$@"

# Each target below sets up its own .venv from requirements.lock, once, on a machine with only Python 3.11 or newer and
# make. After that nothing here asks the network. `make` alone lists the targets.

SHELL := /bin/sh
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.PHONY: help demo test lint coverage bench faults fuzz pictures lock clean

VENV := .venv
LOCKING := .cache/locking
PIP := -m pip --no-input --disable-pip-version-check --quiet --quiet

# Options handed on: make demo DEMO_ARGS="--speed 600 --exit-at-end", make test TEST_ARGS="tests/test_epc.py -x".
DEMO_ARGS ?=
TEST_ARGS ?=
BENCH_ARGS ?=
FAULTS_ARGS ?=
LINKS_ARGS ?=
DISKFULL_ARGS ?=
POWERCUT_ARGS ?=
FUZZ_ARGS ?=
# Set to choose an interpreter: make test PYTHON=python3.12
PYTHON ?=

help:  ## this list
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/make \1\t\2/p' Makefile | expand -t 14

demo: $(VENV)/.project  ## the whole job on one machine, no hardware (DEMO_ARGS="--speed 600 --seed 3")
	@$(VENV)/bin/roadtally demo $(DEMO_ARGS)

test: $(VENV)/.tools  ## the tests (TEST_ARGS="-k epc", or "-m 'not integration'" for the quick ones)
	@$(VENV)/bin/python -m pytest -p tests.ci_plugin $(TEST_ARGS)

lint: $(VENV)/.tools  ## ruff with all its rules, mypy strict
	@$(VENV)/bin/ruff check agent tests .ci
	@$(VENV)/bin/mypy

coverage: $(VENV)/.tools  ## the tests with a table of the lines that none of them reached; takes twice as long
	@$(VENV)/bin/python -m pytest -p tests.ci_plugin --cov --cov-report=term-missing:skip-covered $(TEST_ARGS)

bench: $(VENV)/.tools  ## the benchmarks: every script of tests/bench, with medians and the machine
	@set -e; for script in tests/bench/bench_*.py; do \
	  test -e "$$script" || { echo "There is no benchmark in tests/bench." >&2; exit 1; }; \
	  $(VENV)/bin/python "$$script" $(BENCH_ARGS); \
	done

# Each by its own options: FAULTS_ARGS="--mixtures 20" POWERCUT_ARGS="--cuts 100" LINKS_ARGS=… DISKFULL_ARGS="--days 20"
faults: $(VENV)/.tools  ## faults of reader, receiver, clock, link and disk, and power cuts, into a running agent: hours
	@OPENBLAS_NUM_THREADS=1 $(VENV)/bin/python -m tests.faults $(FAULTS_ARGS)
	@OPENBLAS_NUM_THREADS=1 $(VENV)/bin/python -m tests.powercut $(POWERCUT_ARGS)
	@OPENBLAS_NUM_THREADS=1 $(VENV)/bin/python -m tests.links $(LINKS_ARGS)
	@OPENBLAS_NUM_THREADS=1 $(VENV)/bin/python -m tests.diskfull $(DISKFULL_ARGS)

fuzz: $(VENV)/.tools  ## the protocols under a coverage-guided fuzzer, where atheris is installed (FUZZ_ARGS="--seconds 60")
	@$(VENV)/bin/python -m tests.fuzz $(FUZZ_ARGS)

pictures: $(VENV)/.tools  ## take the README's pictures anew from a demo (needs chromium; about two minutes)
	@$(VENV)/bin/python -m tests.pictures.take

lock: $(LOCKING)/bin/uv  ## write requirements.lock anew from pyproject.toml (asks the package index)
	@$(LOCKING)/bin/python .ci/lock.py

clean:  ## remove the virtual environment, caches and outputs
	@rm -rf $(VENV) .cache .pytest_cache .mypy_cache .ruff_cache .hypothesis .coverage build dist out
	@find agent tests -name __pycache__ -type d -prune -exec rm -rf {} +

# The first interpreter that is new enough and can make an environment. A name on the path may be a shim that only says
# that this version is not chosen, so each is asked by running it.
$(VENV)/bin/python:
	@found=; for python in $(PYTHON) python3.13 python3.12 python3.11 python3; do \
	  $$python -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 && found=$$python && break; \
	done; \
	test -n "$$found" || { echo "roadtally needs Python 3.11 or newer; none was found on the PATH ($$(python3 --version 2>&1 || true)). \
	Install one (Debian, Ubuntu: apt-get install python3 python3-venv), or say where: make $(MAKECMDGOALS) PYTHON=/path/to/python3.11" >&2; exit 1; }; \
	$$found -c 'import ensurepip, venv' >/dev/null 2>&1 || { echo "$$found has no venv module. \
	Debian and Ubuntu keep it apart: apt-get install python3-venv (or $$found-venv)." >&2; exit 1; }; \
	echo "Setting up $(VENV) with $$($$found --version)."; \
	$$found -m venv $(VENV)

# The lock's first part is what the demo runs, the second what only tests and lint need. Every file is checked against
# its hash. gpsd-py3 is published as source alone; nothing else may be built here.
INSTALL := $(VENV)/bin/python $(PIP) install --require-hashes --only-binary :all: --no-binary gpsd-py3

$(VENV)/.base: requirements.lock | $(VENV)/bin/python
	@echo "Installing what the program needs: once, 10 to 60 seconds."
	@sed '/^# Below this line/,$$d' requirements.lock > $(VENV)/base.lock
	@$(INSTALL) -r $(VENV)/base.lock
	@touch $@

# This folder itself, editable. hatchling is in the lock, so no build environment is fetched.
$(VENV)/.project: pyproject.toml $(VENV)/.base
	@$(VENV)/bin/python $(PIP) install --no-deps --no-build-isolation --no-index --editable .
	@touch $@

$(VENV)/.tools: requirements.lock $(VENV)/.project
	@echo "Installing what the tests need: once, 20 to 90 seconds."
	@$(INSTALL) -r requirements.lock
	@touch $@

# uv holds to the versions that the lock has; take a package's lines out of it to let that one move on.
$(LOCKING)/bin/uv:
	@python3 -m venv $(LOCKING)
	@$(LOCKING)/bin/python $(PIP) install uv

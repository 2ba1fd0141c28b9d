# Every target sets up what it needs. Needs: Python >= 3.11 with venv, make, a package index.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
CORES ?= 2

# What the lock files pin, with their hashes: by uv where it is there, which takes a fraction of the time, or else by pip;
# by pip too where uv fails, since it does not read pip's settings.
UV := $(shell command -v uv 2>/dev/null)
install = $(if $(UV),$(UV) pip install --quiet --python $(BIN)/python $(1) || )$(BIN)/python -m pip install --quiet --disable-pip-version-check $(1)

.PHONY: sample test lint test-fast test-long bench validate faults fuzz audit wheel-check docs clean content-marks

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit("tapeline needs Python 3.11 or newer; this is " + sys.version.split()[0] + ". Name another one: make PYTHON=python3.12 ...") if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv $(VENV)

# The environment to compute with, from the lock file.
$(VENV)/.computing: requirements.lock pyproject.toml | $(VENV)/bin/python
	$(call install,--require-hashes -r requirements.lock)
	$(call install,--no-deps --no-build-isolation --editable .)
	@touch $@

# The same with the tools of tests and checks.
$(VENV)/.testing: requirements-dev.lock $(VENV)/.computing
	$(call install,--require-hashes -r requirements-dev.lock)
	@touch $@

# Status 3 says that recordings were left out: one of the sample's is cut, on purpose.
sample: $(VENV)/.computing
	@$(BIN)/tapeline run . --cores $(CORES); status=$$?; \
	if [ $$status -eq 3 ]; then echo "(a recording was left out, as planted in the sample)"; else exit $$status; fi

lint: $(VENV)/.testing
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/snakefmt --check --line-length 120 Snakefile workflow/rules
	$(BIN)/python tests/workflow/lint_workflow.py
	$(BIN)/python docs/make_reference.py --check

test: lint
	$(BIN)/python -m pytest --numprocesses $(CORES) -m "not long"

# Killed runs, whole campaigns run again and again, simulations of many repeats.
test-long: $(VENV)/.testing
	$(BIN)/python -m pytest --numprocesses $(CORES) -m long

test-fast: $(VENV)/.testing
	$(BIN)/python -m pytest --numprocesses $(CORES) -m "not workflow and not browser and not long"

clean:
	rm -rf results .snakemake

# After a job's version was raised on purpose: keep the sample's new contents as the expected ones.
content-marks: sample
	$(BIN)/python tests/workflow/content_marks.py results

# The reference pages in docs/, from the code.
docs: $(VENV)/.testing
	$(BIN)/python docs/make_reference.py

# Speed and memory beside a plain script; writes docs/benchmarks.md.
bench: $(VENV)/.testing
	$(BIN)/python benchmarks/measure_chain.py

# Mutated recordings through the readers, led by coverage, for a time box of so many seconds.
FUZZ_S ?= 60
fuzz: $(VENV)/.testing
	$(BIN)/python fuzz/fuzz_recordings.py --seconds $(FUZZ_S) --seed 1

# Known vulnerabilities of what the locks pin, where an advisory service answers; pins that do not fit each other.
audit: $(VENV)/.testing
	$(BIN)/python -m pip check
	$(BIN)/python supply/audit_locks.py

# Both packages from a clean export; the sample run from the wheel, in an empty environment without the source tree.
wheel-check: $(VENV)/.computing
	CORES=$(CORES) supply/wheel-check.sh $(abspath $(BIN)/python)

# Long evidence: random calibrator sessions, the invented rig of tests/independent with many seeds; writes docs/validation.md.
SEEDS ?= 8
validate: $(VENV)/.testing
	$(BIN)/python benchmarks/validation_page.py --seeds $(SEEDS)

# Planted faults: kills, full disks, flipped bits, hostile texts ...; writes docs/faults.md (FAMILIES="kills disk": those sections alone).
FAMILIES ?=
faults: $(VENV)/.testing
	$(BIN)/python benchmarks/faults/page.py $(FAMILIES)

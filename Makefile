# Every job of the project from a fresh checkout. `make` alone lists them.

SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DELETE_ON_ERROR:
.DEFAULT_GOAL := help
.PHONY: help demo test lint bench bench-review soak fuzz demo-recording system-packages clean

VENV ?= .venv
PY := $(VENV)/bin/python
PIP := $(PY) -m pip --disable-pip-version-check --no-input
# Two worker processes: the machine this is built on has two cores, and memory stays small.
WORKERS ?= 2
# How long `make fuzz` stays with each target.
SECONDS ?= 60
# The first interpreter that is new enough; name another with `make demo PYTHON=...`.
PYTHON ?= $(shell for p in python3 python3.11 python3.12 python3.13 python3.14; do \
	"$$p" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo "$$p" && break; done)

# One numeric thread a process: the figures are per core, and workers would fight over the cores.
test bench soak: export OMP_NUM_THREADS := 1
test bench soak: export OPENBLAS_NUM_THREADS := 1

help:  ## list the jobs
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-16s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

demo: $(VENV)/.installed  ## set up, then keep a watch over the demo recording and say what was heard
	@$(VENV)/bin/midwatch demo

test: $(VENV)/.installed-test system-packages lint  ## set up, then lint, types, architecture and all tests
	$(PY) -m pytest -n $(WORKERS) --dist loadfile

lint: $(VENV)/.installed-test  ## style, types and the architecture contract only
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports

bench: $(VENV)/.installed-test  ## measure the speed and the memory of the whole chain (build/bench.json)
	$(PY) tests/bench/run.py

bench-review: $(VENV)/.installed-test  ## measure the review page and the report over 100,000 transmissions
	$(PY) tests/bench/review_load.py

soak: $(VENV)/.installed-test  ## the long tests, minutes to hours
	$(PY) -m pytest -m soak

fuzz: $(VENV)/.installed-test  ## throw changed bytes at every reader and decoder; SECONDS=60 for each
	$(PY) tests/fuzz/run.py all --seconds $(SECONDS)

demo-recording: $(VENV)/.installed-test system-packages  ## build the demo recording again (needs espeak-ng)
	$(PY) -m recordings.build_demo

clean:  ## remove the environment and everything that was built
	rm -rf $(VENV) build dist demo-watch .mypy_cache .pytest_cache .ruff_cache .hypothesis .import_linter_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

# --- the isolated environment ---------------------------------------------------------------------

$(PY):
	@if [ -z "$(PYTHON)" ]; then \
		echo "Python 3.11 or newer is needed and none was found: install it (Debian: apt-get install python3 python3-venv) or name one with 'make $(MAKECMDGOALS) PYTHON=...'." >&2; exit 1; fi
	@if ! $(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then \
		echo "$(PYTHON) is not Python 3.11 or newer: name one that is with 'make $(MAKECMDGOALS) PYTHON=...'." >&2; exit 1; fi
	@if ! $(PYTHON) -c 'import ensurepip, venv' 2>/dev/null; then \
		if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
			echo "Installing the system package python3-venv."; \
			apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends python3-venv >/dev/null; \
		else \
			echo "$(PYTHON) cannot make isolated environments: install the system package python3-venv, then run make again." >&2; exit 1; \
		fi; fi
	@$(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); exit 1; }

# $(call install,EXTRA): the project as it lies here, with the fast FFT library where there is one.
define install
	@echo "Installing into $(VENV); the first time takes about a minute."
	@$(PIP) install -qq --editable '.[fast$(1)]' || { \
		echo "That failed; trying without the fast FFT library (everything works, more slowly)." >&2; \
		$(PIP) install -qq --editable '.$(if $(1),[$(1:,%=%)])'; }
endef

$(VENV)/.installed: pyproject.toml | $(PY)
	$(call install)
	@touch $@

$(VENV)/.installed-test: pyproject.toml | $(PY)
	$(call install,$(comma)test)
	@touch $@ $(VENV)/.installed

comma := ,

# --- system packages ------------------------------------------------------------------------------

# $(call system_package,COMMAND OR FILE,PACKAGE,WHAT IS SKIPPED WITHOUT IT)
define system_package
	@if ! command -v $(1) >/dev/null && [ ! -e $(1) ]; then \
		if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null && apt-get update -qq \
			&& DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $(2) >/dev/null; then \
			echo "Installed the system package $(2)."; \
		else \
			echo "$(2) is not here and could not be installed (that takes root and a package index); skipped: $(3)."; \
		fi; fi
endef

system-packages:
	$(call system_package,espeak-ng,espeak-ng,the checks that need an independent voice)
	$(call system_package,sox,sox,the checks of tone decoders against an independent generator)
	$(call system_package,chromium,chromium,the tests of the review page in a browser)
	$(call system_package,/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf,fonts-dejavu-core,the checks of other alphabets on paper)
	$(call system_package,cc,gcc libc6-dev,the tests of a live radio on a stand-in driver)

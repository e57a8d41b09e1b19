# Two commands matter: `make report` renders the main sample, `make test` runs every test.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STUDY := PYTHONPATH=tests $(BIN)/python
INSTALL := $(BIN)/python -m pip install --quiet --quiet --disable-pip-version-check -c constraints.txt
PARALLEL := -n auto

.PHONY: report test dev snapshots coverage oldest newest mutants bench audit study study-runs study-secondary lint samples pictures clean
.DEFAULT_GOAL := report

# Python starts many times here, in kernels and workers: packages are compiled once, not each time.
unexport PYTHONDONTWRITEBYTECODE

$(VENV)/.created:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "pullbook needs Python 3.11 or later; name one with: make PYTHON=python3.12"; exit 1; }
	@echo "Creating the environment in $(VENV) (once; takes a minute or two)"
	@$(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/.installed: $(VENV)/.created pyproject.toml constraints.txt
	@$(INSTALL) -e .
	@touch $@

# wltp is wanted for its tables of driving cycles alone: apart, and without its requirements, which do not fit ours.
$(VENV)/.installed-test: $(VENV)/.installed
	@$(INSTALL) -e '.[test]'
	@$(INSTALL) --no-deps --upgrade --target $(VENV)/cycles wltp || \
	  echo "the regulations' driving cycles could not be installed; the checks that need them are skipped"
	@touch $@

report: $(VENV)/.installed
	@$(BIN)/pullbook run sample_runs/fin_wash

# A process a core and one more; tests that share a costly set-up stay together (tests/conftest.py).
test: $(VENV)/.installed-test
	@$(BIN)/python -m pytest $(PARALLEL)

# The environment with everything that tests and checks need, without running any.
dev: $(VENV)/.installed-test
	@echo "Ready: $(BIN)/python -m pytest tests/reading"

# The wordings that tests/test_wording.py holds, written anew: read the difference.
snapshots: $(VENV)/.installed-test
	@PULLBOOK_WRITE_SNAPSHOTS=1 $(BIN)/python -m pytest tests/test_wording.py
	@git diff --stat tests/snapshots

# Left out: a batch that has to be silent, where a worker that is ended while it saves what it reached complains.
coverage: $(VENV)/.installed-test
	@$(BIN)/python -m pytest --cov --cov-report=term-missing:skip-covered --cov-fail-under=95 \
	  --deselect tests/batch/test_experiments.py::test_a_worker_that_is_killed_in_the_middle_loses_nothing

# mutmut takes what lies in src for the library. One thread: the tests' matrices are small.
mutants: $(VENV)/.installed-test
	@$(INSTALL) -e '.[test,mutation]'
	@mkdir -p .mutants
	@ln -sfn ../lib .mutants/src
	@ln -sfn ../tests ../pyproject.toml .mutants
	@cd .mutants && OPENBLAS_NUM_THREADS=1 $(CURDIR)/$(BIN)/mutmut run && $(CURDIR)/$(BIN)/mutmut results

# The tests with the oldest and the newest packages that pyproject.toml allows, Parquet's reader among them, in an
# environment that is thrown away. Old packages use what newer ones below them deprecate: that is no fault of ours.
oldest: RESOLUTION := lowest-direct
oldest: WARNINGS := -W ignore::DeprecationWarning -W ignore::PendingDeprecationWarning
newest: RESOLUTION := highest
oldest newest:
	@env=$$(mktemp -d) && trap 'rm -rf "$$env"' EXIT INT TERM && \
	  $(PYTHON) -m venv "$$env" && \
	  "$$env/bin/python" -m pip install --quiet --quiet --disable-pip-version-check uv && \
	  "$$env/bin/uv" pip install --quiet --python "$$env/bin/python" --resolution $(RESOLUTION) -e '.[test,parquet]' && \
	  "$$env/bin/python" -m pytest $(PARALLEL) $(WARNINGS)

lint: $(VENV)/.installed-test
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports --no-logo

bench: $(VENV)/.installed-test
	@$(STUDY) -m bench.start
	@$(STUDY) -m bench.analyse
	@$(STUDY) -m bench.reader
	@$(STUDY) -m bench.batch

# Damaged files, kills, full disks, canaries and leaks: a few minutes; prints counts and its seed.
audit: $(VENV)/.installed-test
	@$(STUDY) -m audit $(AUDIT)

study: $(VENV)/.installed-test
	@$(STUDY) -W ignore -m study.intervals
	@$(STUDY) -W ignore -m study.unlike
	@$(STUDY) -W ignore -m study.looks
	@$(STUDY) -W ignore -m study.narrow --count 60
	@$(STUDY) -W ignore -m study.ledger
	@$(STUDY) -W ignore -m study.samples

study-runs: $(VENV)/.installed-test
	@$(STUDY) -W ignore -m study.runs

study-secondary: $(VENV)/.installed-test
	@$(STUDY) -W ignore -m study.secondary

samples: $(VENV)/.installed
	@$(BIN)/python -m pullbook.simulate sample_runs

# The pictures of the read-me files; PICTURES=answer takes that one alone. Those of a page need Chromium.
pictures: $(VENV)/.installed-test
	@$(STUDY) -m helpers.pictures $(PICTURES)

clean:
	rm -rf $(VENV) .mutants sample_runs/*/rendered sample_runs/*/*/rendered

# Everything a person types. `make demo` and `make test` need Python 3.11 or newer, make and git.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
ORACLE := .venv-oracle

.PHONY: demo demo-live test endure figures library benchmark lint oracle clean

demo: $(VENV)/installed
	$(BIN)/benchwarden demo --out demo

demo-live: $(VENV)/installed
	$(BIN)/benchwarden demo --out demo --live

# Four at a time, on two cores, too: much of the time goes by in real seconds that are waited for. Each file in one piece,
# the longest first (tests/conftest.py).
test: $(VENV)/dev
	$(BIN)/python -m pytest -n 4 --dist loadfile

# All of what `make test` takes a part of: every n-th operation, hundreds of kills, days of simulated testing. A quarter of
# an hour on two cores: what waits for real seconds goes beside what computes.
endure: $(VENV)/dev
	@$(BIN)/python -m pytest -m "endure and realtime" -s tests & waiting=$$!; \
	  $(BIN)/python -m pytest -m "endure and not realtime" -n 2 tests; computed=$$?; \
	  wait $$waiting && exit $$computed

# Of those, every shipped profile to its end on every kind of simulated pack.
library: $(VENV)/dev
	$(BIN)/python -m pytest -m endure -n 2 tests/test_library_runs.py

# Those of them that measure, and what they measured into README's table.
figures: $(VENV)/dev
	$(BIN)/python -m pytest -m endure -s tests/test_kill_anytime.py tests/test_reaction.py tests/test_soak.py
	$(BIN)/python -m pytest -m benchmark -s tests/benchmarks/test_watched.py tests/benchmarks/test_big_run.py \
	  tests/benchmarks/test_many_runs.py
	$(BIN)/python -m tests.benchmarks.measured

# Speed, as ratios within one run; prints what it measured.
benchmark: $(VENV)/dev
	$(BIN)/python -m pytest -m benchmark -s tests/benchmarks

lint: $(VENV)/dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# Makes the golden files afresh with the reference packages (1.2 GB, a venv of their own) and compares them with the tree's.
oracle: $(ORACLE)/installed
	$(ORACLE)/bin/python -m pytest -m oracle tests

$(VENV)/bin/pip:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "benchwarden needs Python 3.11 or newer; $(PYTHON) is $$($(PYTHON) -V). Try: make PYTHON=python3.12 $(MAKECMDGOALS)"; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
	  { echo "Python lacks the modules venv and ensurepip; on Debian and Ubuntu: apt install python3-venv"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --upgrade pip

$(VENV)/installed: pyproject.toml | $(VENV)/bin/pip
	$(BIN)/pip install --quiet --disable-pip-version-check --editable '.[charts]'
	@touch $@

$(VENV)/dev: $(VENV)/installed
	$(BIN)/pip install --quiet --disable-pip-version-check --group dev
	@touch $@

$(ORACLE)/installed: pyproject.toml | $(VENV)/bin/pip
	$(PYTHON) -m venv $(ORACLE)
	$(ORACLE)/bin/python -m pip install --quiet --disable-pip-version-check --upgrade pip
	$(ORACLE)/bin/pip install --quiet --disable-pip-version-check --editable '.[charts]' --group dev --group oracle
	@touch $@

clean:
	rm -rf $(VENV) $(ORACLE) build dist *.egg-info src/*.egg-info

# No logic of its own: each target sets up the environment and names one command.
PYTHON ?= python3.11
VENV ?= .venv
BIN := $(VENV)/bin

# As the command sets it: see service/cli.py.
export OPENBLAS_NUM_THREADS ?= 1

.PHONY: demo test check proof postgresql bench migration lock clean

demo: $(VENV)/.runtime
	$(BIN)/upslope demo

test: $(VENV)/.dev
	$(BIN)/pytest -n 2

check: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m tests.check_committed

proof: $(VENV)/.dev
	$(BIN)/pytest -n 2 -m proof
	$(MAKE) postgresql

# The interface and the pages again, on a PostgreSQL that the tests start themselves; then its proof of many at once.
postgresql: $(VENV)/.dev
	$(BIN)/pytest -n 2 --on postgresql tests/api tests/pages tests/privacy tests/exports tests/recipes
	$(BIN)/pytest --on postgresql -m proof tests/proofs/test_many_at_once.py

# The table of speed, into build/bench.json; QUICK=1 takes a quick look at small records, in less than a minute.
bench: $(VENV)/.dev
	$(BIN)/python -m tests.benchmarks.table $(if $(QUICK),--quick)

migration: $(VENV)/.dev
	$(BIN)/python migrations/new.py "$(WORDS)"

# Pinned versions with hashes. The build back end is pinned too, so nothing is fetched unpinned.
$(VENV)/.runtime: requirements.lock pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --no-deps --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation --editable .
	touch $@

$(VENV)/.dev: requirements-dev.lock $(VENV)/.runtime
	$(BIN)/python -m pip install --quiet --no-deps --require-hashes -r requirements-dev.lock
	touch $@

lock: $(VENV)/.dev
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header pyproject.toml --group build -o requirements.lock
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --extra dev pyproject.toml -c requirements.lock -o requirements-dev.lock

clean:
	rm -rf $(VENV) build dist .pytest_cache .ruff_cache .mypy_cache

# Everything runs from .venv, which the first target makes with plain pip. `make demo` and `make test` are all a newcomer needs.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO := WEAKSPOT_DATABASE_URL=sqlite:///var/demo.sqlite WEAKSPOT_POOL_OPEN=1
# One thread for linear algebra in each process: more of them only get in each other's way on a small machine.
export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1

.PHONY: demo serve test torture lint bench messages pictures lock clean

$(VENV)/run: pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit("Weakspot needs Python 3.11 or newer; run make PYTHON=python3.x" if sys.version_info < (3, 11) else 0)'
	test -d $(VENV) || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/dev: pyproject.toml $(VENV)/run
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	touch $@

demo: $(VENV)/run ## an invented world, learnt from, and a plan for a stranger's machine
	$(BIN)/python -m seed.demo

serve: $(VENV)/run ## the HTTP service on port 8080, over the demo's database if there is no other
	$(if $(WEAKSPOT_DATABASE_URL),,$(DEMO)) $(BIN)/weakspot serve --port 8080

test: $(VENV)/dev ## the whole test suite, on SQLite and on PostgreSQL, a process a core
	$(BIN)/python -m pytest -n auto --maxprocesses 4 --dist loadgroup --no-loadscope-reorder

torture: $(VENV)/dev ## the long tests in full: hours, not minutes
	$(BIN)/python -m pytest tests/torture tests/service/test_import_killed.py tests/analytics/test_rank_audit.py --torture -s

lint: $(VENV)/dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/dev ## ratios side by side in one run
	$(BIN)/python -m tests.bench

TEXTS := service/web/translations
messages: $(VENV)/run ## the texts of pages into weakspot.pot, new ones into every language; says what is not translated yet
	$(BIN)/pybabel -q extract -F pyproject.toml -k lazy -k say --omit-header --no-location --sort-output -o $(TEXTS)/weakspot.pot service seed/catalogue
	for po in $(TEXTS)/*.po; do \
	  $(BIN)/pybabel -q update --no-fuzzy-matching --ignore-obsolete --ignore-pot-creation-date -w 120 \
	    -l $$(basename $$po .po) -i $(TEXTS)/weakspot.pot -o $$po && \
	  $(BIN)/pybabel compile --statistics -l $$(basename $$po .po) -i $$po -o /dev/null 2>&1 | grep translated; \
	done

pictures: $(VENV)/dev ## every page at two widths, light and dark, into var/pictures; three of them into seed/pictures
	$(BIN)/python -m tests.web.pictures

lock: ## needs uv
	uv lock

clean:
	rm -rf $(VENV) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis htmlcov .coverage var

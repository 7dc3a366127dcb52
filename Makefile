# legtest: everything a person or a build machine runs. `make help` lists it.
PYTHON ?= python3
VENV ?= .venv
LEG ?= fixtures/legs/tarn-fl.yaml
# more options for pytest, e.g. make test PYTEST_ARGS="-n 2 -k homing"
PYTEST_ARGS ?=

BIN := $(VENV)/bin
STAMP := $(VENV)/installed

.DEFAULT_GOAL := help
.PHONY: help demo test lint docs coverage mutants clean

help:  ## list the targets
	@sed -n 's/^\([a-z]*\):[^#]*## \(.*\)/make \1@\2/p' Makefile | column -t -s @ 2>/dev/null || grep '^[a-z]*:.*##' Makefile

demo: $(STAMP)  ## the main job on the simulated leg, in half a minute: checks, verdicts, a report
	$(BIN)/pytest suites/commit --leg $(LEG) $(PYTEST_ARGS)

# Two at a time where only results count; what judges times of the wall clock runs alone.
test: $(STAMP)  ## the whole test suite
ifeq ($(PYTEST_ARGS),)
	$(BIN)/pytest -n 2 --dist loadfile -m "not realtime"
	$(BIN)/pytest -m realtime
else
	$(BIN)/pytest $(PYTEST_ARGS)
endif

lint: $(STAMP)  ## style, types, who imports whom
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/pytest -q tests/test_import_rules.py

docs: $(STAMP)  ## links, anchors and examples of the documents
	$(BIN)/python .ci/check_docs.py

coverage: $(STAMP)  ## every branch of what guards a leg is reached by its tests (nightly)
	$(BIN)/pip install --quiet coverage==7.17.4
	$(BIN)/coverage run --branch --source=legtest.safety -m pytest -q tests/safety
	$(BIN)/coverage report --show-missing --fail-under=100

mutants: $(STAMP)  ## small changes to what guards a leg are noticed by its tests (takes hours)
	$(BIN)/pip install --quiet mutmut==3.8.1
	for step in make map try again show; do $(BIN)/python tests/mutation/run.py $$step || exit; done

clean:  ## remove the environment and what the tools leave behind (not the runs)
	rm -rf $(VENV) build dist mutants .coverage *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find legtest tests suites -name __pycache__ -type d -prune -exec rm -rf {} +

# Made again only when what it is made from changes.
$(STAMP): pyproject.toml .ci/constraints.txt .ci/environment
	@PYTHON="$(PYTHON)" .ci/environment "$(VENV)"
	@touch $@

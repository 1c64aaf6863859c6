# Everything runs in the project's own .venv, made when it is not there; python3 >= 3.11 is all that is needed.
PYTHON ?= python3
BIN := .venv/bin
RUN := .venv/.installed-run
DEV := .venv/.installed-dev
OUT := out
# Threads of the linear algebra wait for one another in the small products that are made here (see docs/bench.md).
export OPENBLAS_NUM_THREADS ?= 1
.DEFAULT_GOAL := help
.PHONY: help demo test test-slow lint format accuracy accuracy-quick bench docs clean

help: ## this list
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/  make \1	\2/p' $(MAKEFILE_LIST) | expand -t 24

demo: $(RUN) ## simulate the bakery's van, analyse it, write the report; compare it with the van repaired
	@sh scripts/demo.sh $(OUT)

test: $(DEV) ## all quick tests and the accuracy sample
	@sh scripts/browser.sh
	$(BIN)/python -m pytest -n 2 -m "not slow"
	@$(MAKE) --no-print-directory accuracy-quick

test-slow: $(DEV) ## the long tests
	@sh scripts/browser.sh
	$(BIN)/python -m pytest -m slow

lint: $(DEV) ## style, types, and the one-way order of the folders
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(DEV) ## lay out the code
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

accuracy: $(DEV) ## the whole accuracy table, on simulated truth and edited real recordings
	$(BIN)/python -m accuracy

accuracy-quick: $(DEV) ## a sample of it
	$(BIN)/python -m accuracy --quick

bench: $(DEV) ## speed as ratios to plain numpy passes in the same run, memory, and the strip in chromium; some minutes, 3 GB of disk
	$(BIN)/python bench/edges.py
	$(BIN)/python bench/analysis.py
	$(BIN)/python bench/store.py
	$(BIN)/python bench/workbench.py

docs: $(DEV) ## write the pages of docs/ that are made from the code
	$(BIN)/python -m witnessmark.causes.docs
	$(BIN)/python -m witnessmark.causes.reach
	$(BIN)/python -m witnessmark.recording.setup_page
	$(BIN)/python -m witnessmark.recording.store_format > docs/recording.schema.json
	$(BIN)/python -m witnessmark.report.schema > docs/analysis.schema.json
	$(BIN)/python -m witnessmark.compare.schema > docs/comparison.schema.json
	$(BIN)/python -m witnessmark.scan.docs
	$(BIN)/python -m witnessmark.scan.snapshot_json > docs/scan.schema.json
	$(BIN)/python -m witnessmark.cases.schema > docs/case.schema.json
	$(BIN)/python scripts/worked_case.py

clean: ## remove what was made, the .venv too
	rm -rf $(OUT) build dist .venv .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache

$(BIN)/python:
	@PYTHON="$(PYTHON)" sh scripts/venv.sh

$(RUN): pyproject.toml constraints.txt $(BIN)/python
	@sh scripts/venv.sh . $@

$(DEV): pyproject.toml constraints.txt $(BIN)/python
	@sh scripts/venv.sh ".[test]" $@
	@touch $(RUN)

# warmhold: the commands a person types. `make` alone lists them.
# Setup is stamped: it runs again only when pyproject.toml has changed.

PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
SHEET  := out/winter-road.html
SPEED  ?=

.DEFAULT_GOAL := help
.PHONY: help setup demo test bench clean tools-for-test

help:
	@echo "make demo    set up, plan the shipped example, write $(SHEET);"
	@echo "             with SPEED=60 it then serves that trip, simulated, with one hidden fault"
	@echo "make test    set up, then lint, types, layers and tests"
	@echo "make bench   set up, then the benchmarks"
	@echo "make setup   only set up $(VENV)"
	@echo "make clean   remove what these commands made"

# --- setup ----------------------------------------------------------------

$(BIN)/python:
	@command -v $(PYTHON) >/dev/null || { \
	  echo "Python is missing. Install Python 3.11 or later (Debian: apt-get install python3 python3-venv)."; exit 2; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "warmhold needs Python 3.11 or later; $(PYTHON) is older. Try: make PYTHON=python3.12 ..."; exit 2; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends python3-venv; \
	  else \
	    echo "Python's venv module is incomplete. Install it (Debian: apt-get install python3-venv)."; exit 2; \
	  fi; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.stamp-run: pyproject.toml | $(BIN)/python
	$(BIN)/python -m pip install --quiet --editable .
	@touch $@

$(VENV)/.stamp-test: pyproject.toml | $(BIN)/python
	$(BIN)/python -m pip install --quiet --editable '.[test]'
	@touch $@ $(VENV)/.stamp-run

setup: $(VENV)/.stamp-run

# --- demo -----------------------------------------------------------------
# `warmhold plan` ends with 0 for go and 1 for "not yet" or "cannot tell": both
# are answers. Anything else is a fault. A crash of Python also ends with 1, so
# the sheet has to be there as well.

demo: $(VENV)/.stamp-run
	@mkdir -p $(dir $(SHEET)); rm -f $(SHEET)
	@$(BIN)/warmhold plan winter-road --html $(SHEET); status=$$?; \
	  if [ $$status -gt 1 ]; then echo "warmhold plan failed (exit status $$status)"; exit $$status; fi; \
	  if [ ! -s $(SHEET) ]; then echo "warmhold plan wrote no sheet (exit status $$status)"; exit 2; fi
	@echo
	@echo "The sheet to read or print: $(SHEET)"
	@if [ -n "$$DISPLAY$$WAYLAND_DISPLAY" ] && command -v xdg-open >/dev/null; then \
	  echo "Opening it in your browser."; (xdg-open $(SHEET) >/dev/null 2>&1 &) ; \
	elif [ "$$(uname)" = Darwin ]; then \
	  echo "Opening it in your browser."; open $(SHEET); \
	else \
	  echo "Open it in any browser: it is one file and needs no network."; \
	fi
	@echo
	@if [ -n "$(SPEED)" ]; then \
	  echo "Now the same trip on the road, simulated, $(SPEED) times faster, with one hidden fault."; \
	  $(BIN)/warmhold serve --rehearse winter-road --speed "$(SPEED)"; \
	else \
	  echo "To see the trip watched on the road, with one hidden fault: make demo SPEED=60"; \
	fi

# --- test -----------------------------------------------------------------
# Every check runs, so that one red line does not hide the others; pytest last.

tools-for-test:
	@missing=""; \
	command -v chromium >/dev/null || missing="$$missing chromium"; \
	command -v pdftotext >/dev/null || missing="$$missing poppler-utils"; \
	if [ -n "$$missing" ]; then \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing; \
	  else \
	    echo "The tests of the sheet need:$$missing (Debian: apt-get install$$missing)."; exit 2; \
	  fi; \
	fi
	@.ci/postgresql

test: tools-for-test $(VENV)/.stamp-test
	@red=""; \
	try() { echo "== $$*"; "$$@" || red="$$red\n  $$*"; }; \
	try $(BIN)/ruff check; \
	try $(BIN)/ruff format --check; \
	try $(BIN)/mypy; \
	try $(BIN)/lint-imports; \
	try $(BIN)/pytest -n 2 --dist loadfile; \
	if [ -n "$$red" ]; then printf "These checks failed:$$red\n"; exit 1; fi

# --- bench ----------------------------------------------------------------

bench: $(VENV)/.stamp-test
	@set -e; found=""; \
	for script in benchmarks/[a-z]*.py; do \
	  [ -e "$$script" ] || continue; found=1; \
	  echo "== $$script"; $(BIN)/python "$$script"; \
	done; \
	if [ -z "$$found" ]; then echo "no benchmark found in benchmarks/"; exit 2; fi

clean:
	rm -rf $(VENV) out build dist src/*.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache

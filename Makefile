# Two commands matter: `make demo` and `make test`. Both set up what they need on a fresh Debian machine.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

# As root, or through sudo where there is one.
SUDO := $(shell [ "$$(id -u)" = 0 ] || command -v sudo)
APT_INSTALL := $(SUDO) env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends

# What the tests run real firmware with: the compiler, the emulator, an independent uploader, the boot loader's source, a browser.
TEST_PACKAGES := gcc libc6-dev gcc-avr avr-libc binutils-avr libsimavr2 avrdude arduino-core-avr chromium cppcheck clang libclang-rt-dev

.PHONY: demo test lint firmware fuzz setup setup-dev packages bench clean

demo: setup
	$(BIN)/quarterjack demo

test: setup-dev packages lint
	$(BIN)/python -m pytest -n 2 --dist loadgroup

lint: setup-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

# Rebuilds the prebuilt player (hex, wasm) and the rendered C headers, byte for byte.
firmware: setup-dev packages
	$(BIN)/python firmware_templates/build.py all

# The image reader, the same with a small board's limits, and the link: RUNS inputs each.
RUNS ?= 1000000
fuzz: setup-dev packages
	$(BIN)/python -m tests.fuzz.fuzzing --runs $(RUNS)

bench: setup-dev
	for file in tests/benchmarks/*.py; do $(BIN)/python $$file --quick || exit 1; done

setup: $(VENV)/.installed
setup-dev: $(VENV)/.installed-dev

$(VENV)/bin/python:
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { $(SUDO) apt-get update -qq && $(APT_INSTALL) python3 python3-venv; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: $(VENV)/bin/python pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

$(VENV)/.installed-dev: $(VENV)/.installed
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	@touch $@

# Only what is missing is installed, so that a second run asks the network nothing.
packages:
	@missing="$$(for name in $(TEST_PACKAGES); do \
	    dpkg-query -W -f='$${Status}' $$name 2>/dev/null | grep -q 'install ok installed' || echo $$name; done)"; \
	if [ -n "$$missing" ]; then $(SUDO) apt-get update -qq && $(APT_INSTALL) $$missing; fi

clean:
	rm -rf build dist $(VENV)

# A clean clone needs Rust 1.95, Python 3.11 and the package registries; all else is made here.
# `make` alone lists what there is to make.

PYTHON ?= python3.11
VENV   ?= .venv
BIN    := $(VENV)/bin

SHELL       := bash
.SHELLFLAGS := -eu -o pipefail -c
.DELETE_ON_ERROR:

# Every cargo command sees the same interpreter, so that none rebuilds what another has built. An absolute
# path, since cargo hands it to build scripts that run elsewhere.
export PYO3_PYTHON := $(abspath $(BIN)/python)

PIP := $(BIN)/python -m pip --quiet --disable-pip-version-check

.PHONY: help
help: ## list these targets
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  make %-15s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

# --- what people run -----------------------------------------------------------------------------------

.PHONY: demo
demo: $(VENV)/.installed ## run all of it on the bundled plant and leave a page to open
	$(BIN)/brinemark demo --out demo-report
	@echo
	@echo "Open in a browser: $(abspath demo-report/page.html)"

.PHONY: test
test: $(VENV)/.installed $(VENV)/.dev $(VENV)/.stubs ## run every test, of the core and of the installed package
	@if cargo nextest --version >/dev/null 2>&1; then \
	    cargo nextest run --locked; \
	else \
	    echo "cargo-nextest is not installed: cargo test runs the same tests in its place."; \
	    cargo test --locked --lib --tests; \
	fi
	cargo test --locked --doc
	$(BIN)/pytest

.PHONY: lint
lint: $(VENV)/.installed $(VENV)/.dev $(VENV)/.stubs ## check formatting, lints and types
	cargo fmt --check
	cargo clippy --locked --all-targets --all-features -- -D warnings
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy

.PHONY: docs
docs: $(VENV)/.installed $(VENV)/.dev ## make the reference pages of both languages in site/
	RUSTDOCFLAGS="-D warnings" cargo doc --locked --no-deps --all-features
	rm -rf site
	$(BIN)/pdoc --no-show-source --template-directory docs/pdoc --output-directory site/python brinemark
	cp -r target/doc site/rust
	@echo "Open in a browser: $(abspath site/python/brinemark.html) or $(abspath site/rust/brinemark/index.html)"

.PHONY: study-screening
study-screening: $(VENV)/.installed $(VENV)/.dev ## planted faults, a pilot on waves, damaged files, ten million rows: the figures
	$(BIN)/python studies/screening.py
	$(BIN)/python studies/pilot.py
	cargo test --locked --test hostile
	$(BIN)/python benches/bench.py --screening

.PHONY: study-trend
study-trend: $(VENV)/.installed $(VENV)/.dev ## trends, causes, cleanings, forecasts on simulated plants: the figures (half an hour)
	$(BIN)/python studies/trend.py
	$(BIN)/python benches/bench.py --trend

.PHONY: study-evidence
study-evidence: $(VENV)/.installed $(VENV)/.dev ## warranties on simulated contracts, trials on simulated plants, a dossier of a million rows: the figures
	$(BIN)/python studies/contracts.py
	$(BIN)/python studies/trials.py
	$(BIN)/python benches/bench.py --evidence

.PHONY: study-settings
study-settings: $(VENV)/.installed $(VENV)/.dev ## settings of random sites with gauges that are off: the figures
	$(BIN)/python studies/settings.py
	$(BIN)/python benches/bench.py --settings

.PHONY: bench
bench: $(VENV)/.installed $(VENV)/.dev ## time it beside NumPy and polars, on this machine
	$(BIN)/python benches/bench.py

# Each target with its own input for so long: `make fuzz SECONDS=60`, or one of them: `make fuzz TARGETS=site`.
# Wants the nightly toolchain and cargo-fuzz (`cargo install cargo-fuzz --locked`), and stops at the first finding,
# which it leaves in fuzz/artifacts/. No sanitizer: the core has no unsafe code, and runs ten times as often without.
SECONDS ?= 600
TARGETS ?= text site terms demand frames mapping describe folder

.PHONY: fuzz
fuzz: ## throw hostile input at the readers, 10 minutes each
	cd fuzz && for target in $(TARGETS); do \
	    words=dictionaries/$$target; \
	    mkdir -p target/corpus/$$target; \
	    RAYON_NUM_THREADS=2 cargo +nightly fuzz run --sanitizer none $$target target/corpus/$$target corpus/$$target -- \
	        -max_total_time=$(SECONDS) -max_len=4096 -timeout=20 -print_final_stats=1 \
	        $$(if [ -f $$words ]; then echo "-dict=$$words"; fi); \
	done

.PHONY: wheel
wheel: dist/.built ## build the wheel in dist/
	@ls dist/*.whl

.PHONY: lock
lock: ## choose the newest packages anew and write requirements/*.txt
	$(PYTHON) -m venv --clear target/lock
	target/lock/bin/python -m pip --quiet install pip-tools==7.6.2
	rm -f requirements/*.txt
	target/lock/bin/pip-compile $(COMPILE) --output-file requirements/dev.txt requirements/dev.in
	target/lock/bin/pip-compile $(COMPILE) --constraint requirements/dev.txt \
	    --output-file requirements/demo.txt requirements/demo.in

# The files pin hashes, and so hold for whatever index a reader's pip is set up with: they name none.
COMPILE := --quiet --strip-extras --generate-hashes --no-annotate \
    --no-emit-index-url --no-emit-find-links --no-emit-trusted-host
lock: export CUSTOM_COMPILE_COMMAND := make lock

.PHONY: clean
clean: ## remove all that was made here
	rm -rf $(VENV) dist site demo-report target .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find python tests benches -name __pycache__ -prune -exec rm -rf {} +

# --- what those need -----------------------------------------------------------------------------------
# Each step leaves a stamp, so that it runs again when something it was made from has changed, and only then.

$(BIN)/python:
	$(PYTHON) -m venv $(VENV)

# .demo: enough to build and use the package. .dev: that, and the tools and libraries of its tests.
$(VENV)/.demo $(VENV)/.dev: $(VENV)/.%: requirements/%.txt | $(BIN)/python
	$(PIP) install --require-hashes -r $<
	@touch $@

# Folders too: a file taken away changes only its folder.
SOURCES := $(shell find src python -not -name '*.so' -not -path '*__pycache__*') \
    Cargo.toml Cargo.lock pyproject.toml README.md LICENSE-MIT LICENSE-APACHE

dist/.built: $(SOURCES) $(VENV)/.demo
	@echo "Building the wheel; the first time takes some minutes."
	rm -rf dist
	$(BIN)/maturin build --release --locked --interpreter $(BIN)/python --out dist
	@touch $@

# Tests and checks run on what a user gets: the wheel, installed.
$(VENV)/.installed: dist/.built
	$(PIP) install --no-deps --force-reinstall dist/*.whl
	@touch $@

# The stub of the compiled core, against the core itself.
$(VENV)/.stubs: $(VENV)/.installed $(VENV)/.dev
	$(BIN)/python -m mypy.stubtest brinemark._core
	@touch $@

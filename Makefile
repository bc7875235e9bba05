# Everything a person does with this repository. `make help` lists it.
#
# CARGO_TARGET_DIR may name a folder outside the clone, to be shared by several clones. One profile (dev), one
# selection of packages and one set of features for all builds, so that each step finds what the last one built.

.DEFAULT_GOAL := help
.NOTPARALLEL:
.DELETE_ON_ERROR:
MAKEFLAGS += --no-print-directory

export CARGO_TARGET_DIR ?= $(CURDIR)/target
BIN := $(abspath $(CARGO_TARGET_DIR))/debug

# The whole workspace with its tests, those that drive the window included.
ALL := --workspace --locked --features sheetloft-tests/window
SCREEN_SOURCES := $(shell find ui/src ui/public crates/shop/messages -type f) \
	ui/index.html ui/package.json ui/vite.config.ts ui/svelte.config.js ui/tsconfig.json

# Properties are tested on the same cases in every run; `make test-slow` takes new ones each time.
SEED ?= 20260901

# A heading before each step, so that the output can be found again.
say = @printf '\n== %s\n' '$(1)'

.PHONY: help run test test-slow bench bench-long reference reference-whole fuzz fmt types screens icons pictures \
	check-packages check-collections check-format check-screens check-lints check-docs build test-rust test-window test-browser

help: ## Lists what there is to make
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /  make \1\t/' | expand -t 24

# --- use it

# Without a display there is no window: the same screens in a browser of this machine.
HEADLESS := $(and $(filter Linux,$(shell uname -s)),$(if $(DISPLAY)$(WAYLAND_DISPLAY),,yes))

run: ## Builds what is not built yet and opens the window (without a display: serves the screens on this machine)
	@scripts/tools.sh rust
	@scripts/packages.sh $(if $(HEADLESS),serve,window)
	@$(MAKE) screens
ifeq ($(HEADLESS),yes)
	cargo build --locked -p sheetloft-cli
	@echo 'No display here: open the address below in a browser of this machine (make run LISTEN=127.0.0.1:PORT for another).'
	@exec $(BIN)/sheetloft serve $(if $(LISTEN),--listen $(LISTEN))
else
	cargo build --locked -p sheetloft-cli -p sheetloft-window
	@exec $(BIN)/sheetloft-window
endif

screens: ui/dist/index.html ## Builds the screens

ui/node_modules/.package-lock.json: ui/package.json ui/package-lock.json
	@scripts/tools.sh node
	cd ui && npm ci --no-audit --no-fund
	@touch $@

ui/dist/index.html: ui/node_modules/.package-lock.json $(SCREEN_SOURCES)
	$(call say,Screens: build)
	cd ui && npm run --silent build
	@touch $@

# --- test it

test: check-packages check-format check-screens screens check-lints check-docs build test-rust test-window test-browser reference ## Checks and tests everything
	@printf '\nAll checks and tests passed.\n'

check-packages:
	@scripts/tools.sh rust
	@scripts/packages.sh test

check-collections:
	@scripts/packages.sh collections

check-format:
	$(call say,Format)
	cargo fmt --all --check

check-screens: ui/node_modules/.package-lock.json
	$(call say,Screens: types and accessibility)
	cd ui && npm run --silent check
	$(call say,Screens: unit tests)
	cd ui && npm test --silent

check-lints: screens
	$(call say,Lints)
	cargo clippy $(ALL) --all-targets -- -D warnings

check-docs: screens
	$(call say,Documentation)
	RUSTDOCFLAGS='-D warnings' cargo doc $(ALL) --no-deps --document-private-items

build: screens
	$(call say,Build)
	cargo build $(ALL) --bins --tests

test-rust: build
	$(call say,Unit tests and property tests and scenarios)
	PROPTEST_RNG_SEED=$(SEED) cargo test --workspace --locked

test-slow: ## The searches for fits and the fold of the books again, over thousands of cases; properties with new seeds
	$(call say,Slow tests)
	cargo test --locked -p sheetloft-fit -p sheetloft-ledger -- --include-ignored
	cargo test --locked -p sheetloft-tests --test simulator -- --include-ignored
	cargo test --locked -p sheetloft-cli --test carriers -- --include-ignored

test-window: build .venv/ready
	$(call say,The window from end to end)
	xvfb-run -a cargo test $(ALL) --test window -- --test-threads=2

test-browser: build .venv/ready
	$(call say,The browser from end to end)
	cd ui && SHEETLOFT=$(BIN)/sheetloft node_modules/.bin/vitest run --config e2e/vitest.config.ts

reference: build .venv/ready ## Checks against published references and other libraries (Python)
	$(call say,References)
	cargo build $(ALL) --example geometry --example read
	cd tests/reference && SHEETLOFT=$(BIN)/sheetloft ../../.venv/bin/python -m pytest -q

reference-whole: export SHEETLOFT_WHOLE := 1
reference-whole: check-collections reference ## The same over whole collections of drawings, and every label of a large shop on every paper

FUZZ := plt svg dxf pdf shapes
MINUTES ?= 10
fuzz: ## Readers against bytes that nobody meant, MINUTES=10 each (needs cargo-fuzz)
	@for target in $(FUZZ); do \
		printf '\n== Fuzz: %s\n' $$target; \
		mkdir -p fuzz/corpus/$$target; \
		RUSTC_BOOTSTRAP=1 CARGO_TARGET_DIR=$(CARGO_TARGET_DIR)/fuzz cargo fuzz run -s none $$target \
			fuzz/corpus/$$target fuzz/seeds/$$target -- \
			-max_total_time=$$(($(MINUTES) * 60)) -timeout=10 -rss_limit_mb=2048 -max_len=8192 || exit 1; \
	done

.venv/ready: tests/reference/requirements.txt
	python3 -m venv .venv
	.venv/bin/pip install --quiet -r tests/reference/requirements.txt
	@touch $@

bench: ## Measures the search for fits and the plans, 10 s for each set (open data: SHEETLOFT_DATA)
	cargo bench --locked --benches

bench-long: ## The plans' sets at 60 s each, three strips at 600 s
	SHEETLOFT_SECONDS=60 cargo bench --locked -p sheetloft-fit --bench strip --bench sheets
	SHEETLOFT_SECONDS=600 SHEETLOFT_ONLY=albano,shirts,swim cargo bench --locked -p sheetloft-fit --bench strip

# --- keep it in order

fmt: ## Formats the code
	cargo fmt --all

types: ## Writes the screens' types anew from the Rust types
	cargo run --quiet --locked -p sheetloft-shop --example types > ui/src/lib/door.ts.new
	mv ui/src/lib/door.ts.new ui/src/lib/door.ts

icons: ui/node_modules/.package-lock.json ## Draws the window's icons anew from ui/public/icon.svg
	node scripts/icons.mjs

pictures: export SHEETLOFT_PICTURES := $(CURDIR)/docs/pictures
pictures: test-window test-browser ## Takes the README's pictures anew, in the window and the browser

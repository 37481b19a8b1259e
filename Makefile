# Set-up is part of every target: system libraries, virtual environment, packages.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
READY  := $(VENV)/.ready
OUT    ?= out

.PHONY: demo test bench cover shots check clean window

demo: $(READY)   ## open the demo slab; with no display run the same job into $(OUT)/demo
	$(BIN)/grainlight demo --out $(OUT)/demo --force

window: $(READY) ## open the window
	$(BIN)/grainlight

test: $(READY)   ## style, types and every test, headless
	$(BIN)/ruff check .
	$(BIN)/mypy
	QT_QPA_PLATFORM=offscreen $(BIN)/python -m pytest -n 2 --dist loadfile

bench: $(READY)  ## speed, as ratios to a reference in the same run
	QT_QPA_PLATFORM=offscreen $(BIN)/python -m tests.benchmarks --out $(OUT)/bench

cover: $(READY)  ## bias of measurements and coverage of their intervals, over 200 seeds each
	$(BIN)/python -m tests.benchmarks --cover --out $(OUT)/cover

shots: $(READY)  ## a picture of every state of the window
	QT_QPA_PLATFORM=offscreen $(BIN)/python -m tests.gui.shots $(OUT)/shots

clean:           ## remove what the other targets made
	rm -rf $(VENV) $(OUT) build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis

$(READY): pyproject.toml .ci/setup
	sh .ci/setup $(PYTHON) $(VENV)
	touch $(READY)

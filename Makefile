# Two commands on a fresh machine with python3 >= 3.11, git and make:
#   make report    sets up .venv from the lock file, renders the demo month, says where it is
#   make test      same set-up, then every test
# `make pictures` re-takes the readme's screenshots; `make lab` opens JupyterLab; `make calibrate` repeats the long simulations; `make lock` renews the lock files.
PYTHON ?= python3
BIN := .venv/bin
MONTH := 2026-10
AS_OF := 2026-11-20

.PHONY: report pictures test lint lab calibrate benchmark lock clean

report: .venv/.ok
	$(BIN)/afterdip report data/demo/log --month $(MONTH) --as-of $(AS_OF)

# Takes the two pictures of the readme anew from the month in reports/ (needs Chromium).
pictures: .venv/.ok
	$(BIN)/python tests/take_pictures.py

test: .venv/.ok lint
	$(BIN)/python -m pytest -n 2 --dist loadfile

lint: .venv/.ok
	$(BIN)/ruff check .

lab: .venv/.ok-lab
	$(BIN)/jupyter lab notebooks

calibrate: .venv/.ok
	$(BIN)/python -m afterdip.calibrate

benchmark: .venv/.ok
	$(BIN)/python benchmarks/run.py

.venv/.ok: requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "afterdip needs Python 3.11 or newer; this is $$($(PYTHON) -V). Try: make $(MAKECMDGOALS) PYTHON=python3.12"; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
	  { echo "Python is here but cannot make virtual environments. On Debian or Ubuntu: apt install python3-venv"; exit 1; }
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $@

.venv/.ok-lab: .venv/.ok requirements-lab.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-lab.lock
	touch $@

lock:
	uv pip compile pyproject.toml --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
	  --no-emit-index-url --extra build --extra test -o requirements.lock
	uv pip compile pyproject.toml --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
	  --no-emit-index-url --extra build --extra test --extra lab -c requirements.lock -o requirements-lab.lock

clean:
	rm -rf .venv

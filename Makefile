# `make demo` and `make test` set up what they need. See CONTRIBUTING.md for the rest.
PYTHON ?= python3
export PYTHON

.PHONY: help demo test venv lint bench lock clean

help:
	@echo 'make demo    play the Tarn Hollow story: check, compare, render, rehearse'
	@echo 'make test    run everything that must pass'
	@echo 'make venv    set up .venv with all that development takes'
	@echo 'make lint    form and types only'
	@echo 'make bench   measure the speed on this machine'
	@echo 'make lock    write requirements/ anew from pyproject.toml'
	@echo 'make clean   remove what was made here, .venv included'

demo:
	@tools/setup demo
	@tools/demo

test: venv
	@tools/test

venv:
	@tools/setup test

lint: venv
	@tools/test lint

bench: venv
	@tools/bench

lock:
	@tools/lock

clean:
	rm -rf .venv out build src/netcharter.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis

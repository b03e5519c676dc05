"""Validates the tables of drawers against docs/drawer.schema.json with the PyPI package jsonschema.

    python .ci/validate_drawers.py DRAWER [OTHER]   (each holds drawer.json and drawer.csv)

So that the check cannot pass by accepting everything, each must also be refused with a field taken out. Given two, they must
be the same but for the time at which they were made.
"""
import copy
import csv
import json
import pathlib
import sys

from jsonschema import Draft202012Validator

schema = json.loads(pathlib.Path("docs/drawer.schema.json").read_text(encoding="utf-8"))
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema)
wrong = 0
drawers = []
for folder in map(pathlib.Path, sys.argv[1:]):
    drawer = json.loads((folder / "drawer.json").read_text(encoding="utf-8"))
    drawers.append(drawer)
    for error in validator.iter_errors(drawer):
        wrong += 1
        print(f"{folder}: {error.json_path}: {error.message[:200]}")
    for field in ("slides", "grinder", "counts"):
        short = copy.deepcopy(drawer)
        del short[field]
        if validator.is_valid(short):
            wrong += 1
            print(f"{folder}: the schema does not ask for {field}")
    with open(folder / "drawer.csv", encoding="utf-8-sig", newline="") as f:
        rows = list(csv.DictReader(f, strict=True))
    if [r[next(iter(r))] for r in rows] != [s["id"] for s in drawer["slides"]]:
        wrong += 1
        print(f"{folder}: drawer.csv does not name the slides of drawer.json in their order")
    print(f"{folder}: {len(rows)} slides, {sum(s['found'] == 'signal' for s in drawer['grinder']['statements'])} things said of the grinder")
if len(drawers) == 2:
    for drawer in drawers:
        drawer["made_at"] = None
        for slide in drawer["slides"]:
            slide["failed_at"] = slide["failed_in"] = None
    if drawers[0] != drawers[1]:
        wrong += 1
        print("the two drawers differ")
sys.exit(1 if wrong else 0)

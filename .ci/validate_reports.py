"""Validates reports against docs/report.schema.json with the PyPI package jsonschema.

    python .ci/validate_reports.py REPORTS      (REPORTS holds <slide id>/report.json)

So that the check cannot pass by accepting everything, each report must also be refused with a field taken out.
"""
import copy
import json
import pathlib
import sys

from jsonschema import Draft202012Validator

schema = json.loads(pathlib.Path("docs/report.schema.json").read_text(encoding="utf-8"))
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema)
paths = sorted(pathlib.Path(sys.argv[1]).glob("*/report.json"))
wrong = 0
for path in paths:
    report = json.loads(path.read_text(encoding="utf-8"))
    for error in validator.iter_errors(report):
        wrong += 1
        print(f"{path}: {error.json_path}: {error.message[:200]}")
    for field in ("verdict", "thickness", "photographs"):
        short = copy.deepcopy(report)
        del short[field]
        if validator.is_valid(short):
            wrong += 1
            print(f"{path}: the schema does not ask for {field}")
print(f"{len(paths)} reports validated, {wrong} complaints")
sys.exit(1 if wrong or not paths else 0)

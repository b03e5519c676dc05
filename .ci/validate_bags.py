"""Validates bags with packages that know nothing of this one: bagit, rocrate and roc-validator from PyPI.

    python .ci/validate_bags.py BAGS CONTEXT     (BAGS holds one bag a slide; CONTEXT is the RO-Crate 1.2 context as JSON)

roc-validator takes some ten seconds a crate and looks at the first four only; the others look at every bag.

roc-validator fetches the context from w3id.org; here it is answered from the file, which the npm package ro-crate carries,
and every other address is refused, so that the check needs no network. So that no check can pass by accepting everything, a
bag with one byte changed must be refused, and so must a crate without its licence and one whose photograph is gone.
"""
import json
import pathlib
import shutil
import sys
import tempfile

import bagit
import requests
from rocrate.rocrate import ROCrate
from rocrate_validator import services
from rocrate_validator.models import Severity

CONTEXT_ADDRESS = "https://w3id.org/ro/crate/1.2/context"
bags, context = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]).read_bytes()
assert json.loads(context)["@id"] == CONTEXT_ADDRESS, "the context is not that of RO-Crate 1.2"


def answer(self, request, **_):
    if request.url != CONTEXT_ADDRESS:
        raise requests.ConnectionError(f"no network here: {request.url}", request=request)
    response = requests.Response()
    response.status_code, response._content, response.url, response.request = 200, context, request.url, request
    response.headers["Content-Type"] = "application/ld+json"
    return response


requests.sessions.Session.send = answer


def complaints(crate, severity):
    """What roc-validator says of a crate, one line a finding."""
    result = services.validate(
        services.ValidationSettings(
            rocrate_uri=str(crate), profile_identifier="ro-crate-1.2", requirement_severity=severity, no_cache=True
        )
    )
    assert result.executed_checks, "no check was run"
    return [f"{i.check.identifier}: {getattr(i, 'violatingEntity', '')} {i.message}" for i in result.get_issues(severity)], len(result.executed_checks)


def tells_how_it_came_to_be(crate):
    check = crate.dereference("#check")
    files = [crate.source / pathlib.Path(f.id) for f in crate.data_entities]
    return (
        check.type == "CreateAction"
        and check["instrument"]["name"] == "thinproof"
        and {r.id for r in check["result"]} == {"report/report.html", "report/report.json"}
        and any(o.id.endswith("_ppl.jpg") for o in check["object"])
        and crate.dereference("#section") is not None
        and len(files) >= 4
    )


wrong, advice, checks = [], set(), 0
paths = sorted(p for p in bags.iterdir() if p.is_dir())
for path in paths:
    try:
        bagit.Bag(str(path)).validate(processes=1)
    except bagit.BagError as error:
        wrong.append(f"{path}: bagit: {error}")
    if not tells_how_it_came_to_be(ROCrate(path / "data")):
        wrong.append(f"{path}: rocrate: the crate does not say how the report came to be")
    if path not in paths[:4]:
        continue
    found, checks = complaints(path / "data", Severity.REQUIRED)
    wrong += [f"{path}: roc-validator: {line}" for line in found]
    recommended, _ = complaints(path / "data", Severity.RECOMMENDED) if path == paths[0] else ([], 0)
    advice.update(recommended)

with tempfile.TemporaryDirectory() as work:
    copy = pathlib.Path(work) / "bag"
    shutil.copytree(paths[0], copy)
    metadata = copy / "data" / "ro-crate-metadata.json"
    whole = metadata.read_text(encoding="utf-8")
    crate = json.loads(whole)
    root = next(e for e in crate["@graph"] if e["@id"] == "./")
    del root["license"]
    metadata.write_text(json.dumps(crate), encoding="utf-8")
    if not complaints(copy / "data", Severity.REQUIRED)[0]:
        wrong.append("roc-validator accepts a crate without a licence")
    metadata.write_text(whole.replace("Thin", "Thim", 1), encoding="utf-8")
    if bagit.Bag(str(copy)).is_valid():
        wrong.append("bagit accepts a bag with a byte changed")
    metadata.write_text(whole, encoding="utf-8")
    next((copy / "data" / "slide").glob("*.jpg")).unlink()
    if bagit.Bag(str(copy)).is_valid():
        wrong.append("bagit accepts a bag without a photograph")

for line in wrong + [f"advice: {line}" for line in sorted(advice)]:
    print(line)
print(f"{len(paths)} bags, {checks} checks of RO-Crate 1.2 on the first four, {len(wrong)} complaints, {len(advice)} pieces of advice")
sys.exit(1 if wrong or not paths else 0)

"""fhirpy, a general FHIR client for Python."""

import asyncio
import json
import os
from decimal import Decimal
from pathlib import Path

from fhirpy import AsyncFHIRClient, SyncFHIRClient
from fhirpy.base.exceptions import OperationOutcome, ResourceNotFound

BASE = os.environ["TIDEMARK_CHECK_BASE"]
EXAMPLE = Path(__file__).parents[2] / "examples" / "response.json"


def response(number: int, itch: float) -> dict:
    """The README's example, of an invented child of this client's own."""
    body = json.loads(EXAMPLE.read_text())
    body["identifier"]["value"] = f"python-{number}"
    body["subject"] = {"reference": "Patient/oona-python"}
    body["authored"] = f"2026-03-0{number}T18:20:00+01:00"
    for group in body["item"]:
        for item in group["item"]:
            if item["linkId"] == "symptoms.itch":
                item["answer"] = [{"valueDecimal": itch}]
    return body


def total(observation) -> Decimal:
    """The total and the parts it is the sum of, which must agree."""
    parts = {c["code"]["coding"][0]["code"]: c["valueQuantity"]["value"] for c in observation["component"] if "valueQuantity" in c}
    value = Decimal(str(observation["valueQuantity"]["value"]))
    assert value == sum(Decimal(str(parts[p])) for p in ("extent-part", "intensity-part", "subjective-part"))
    return value


def synchronous() -> None:
    client = SyncFHIRClient(BASE)
    client.resources("Questionnaire").search(url="https://tidemark.example/fhir/Questionnaire/scorad-self-assessment").get()
    resource = client.resource("QuestionnaireResponse", **response(1, 3))
    resource.save()
    assert resource["meta"]["versionId"] == "1"
    first = client.resources("Observation").search(patient="Patient/oona-python").get()
    for member, value in (response(1, 4) | {"status": "amended"}).items():
        if member != "resourceType":
            resource[member] = value
    resource.save()
    second = client.resources("Observation").search(patient="Patient/oona-python").get()
    assert second.id == first.id
    assert total(second) - total(first) == 1, "one point of itch is one point of the score"
    same = client.resource("QuestionnaireResponse", **response(2, 3))
    same.save()
    again = client.resource("QuestionnaireResponse", **response(2, 3))
    again.save()
    assert again.id == same.id, "the same content again is answered as the first time"
    try:
        client.resource("QuestionnaireResponse", **(response(3, 11))).save()
    except OperationOutcome as refused:
        assert any("symptoms.itch" in issue["details"]["text"] for issue in refused.resource["issue"]), refused.resource
    else:
        raise AssertionError("an itch of 11 was taken")
    same.delete()
    try:
        client.resources("QuestionnaireResponse").search(_id=same.id).get()
    except ResourceNotFound:
        pass
    else:
        raise AssertionError("what was deleted was found")


async def asynchronous() -> None:
    client = AsyncFHIRClient(BASE)
    for number in range(4, 8):
        await client.resource("QuestionnaireResponse", **response(number, number)).save()
    found = await client.resources("Observation").search(patient="Patient/oona-python", date__ge="2026-03-04").sort("date").limit(2).fetch_all()
    totals = [total(o) for o in found]
    assert totals == sorted(totals) and len(totals) == 4, totals
    counted = await client.resources("Observation").search(patient="Patient/oona-python", value_quantity=f"gt{totals[1]}").count()
    assert counted == 2, counted


synchronous()
asyncio.run(asynchronous())
print("fhirpy: story told, figures right")

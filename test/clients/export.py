"""Bulk exports as pandas reads them: the files of a full and of a research export."""

import gzip
import json
import os
import time
import urllib.error
import urllib.request
from io import BytesIO
from pathlib import Path

import pandas as pd

BASE = os.environ["TIDEMARK_CHECK_BASE"]
EXAMPLE = Path(__file__).parents[2] / "examples" / "response.json"
PEOPLE = {"oona-export": 3, "casper-export": 2, "mirren-export": 1}


def ask(url: str, method: str = "GET", body: dict | None = None, **headers: str):
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/fhir+json"} if data else {}, method=method)
    for name, value in headers.items():
        request.add_header(name.replace("_", "-"), value)
    try:
        return urllib.request.urlopen(request)
    except urllib.error.HTTPError as refused:
        return refused


def export(path: str) -> dict:
    """Kicks an export off and polls as the server asks, as any bulk client does."""
    started = ask(f"{BASE}/{path}", Accept="application/fhir+json", Prefer="respond-async")
    assert started.status == 202, started.read()
    where = started.headers["Content-Location"]
    for _ in range(100):
        status = ask(where, Accept="application/json")
        if status.status == 200:
            assert status.headers["Content-Type"] == "application/json" and status.headers["Expires"]
            return json.load(status) | {"where": where}
        assert status.status == 202 and len(status.headers["X-Progress"]) < 100, status.read()
        time.sleep(min(float(status.headers["Retry-After"]), 0.5))
    raise AssertionError("the export is not ready")


def frames(manifest: dict, of: str = "output") -> dict[str, pd.DataFrame]:
    """Every file as pandas reads lines of JSON, one frame for each type."""
    parts: dict[str, list] = {}
    for file in manifest[of]:
        answer = ask(file["url"], Accept="application/fhir+ndjson", Accept_Encoding="gzip")
        assert answer.headers["Content-Type"] == "application/fhir+ndjson" and answer.headers["Content-Encoding"] == "gzip"
        frame = pd.read_json(BytesIO(gzip.decompress(answer.read())), lines=True, dtype=False)
        assert len(frame) == file["count"] and set(frame["resourceType"]) == {file["type"]}
        parts.setdefault(file["type"], []).append(frame)
    return {kind: pd.concat(all_of) for kind, all_of in parts.items()}


def flat(scores: pd.DataFrame) -> pd.DataFrame:
    """A row for each score with a column for each part."""
    rows = []
    for score in scores.to_dict("records"):
        row = {"who": json.dumps(score["subject"]), "end": pd.Timestamp(score["effectivePeriod"]["end"][:10]), "total": score["valueQuantity"]["value"]}
        for part in score["component"]:
            if "valueQuantity" in part:
                row[part["code"]["coding"][0]["code"]] = part["valueQuantity"]["value"]
        rows.append(row)
    return pd.DataFrame(rows)


def main() -> None:
    for person, ratings in PEOPLE.items():
        for number in range(1, ratings + 1):
            body = json.loads(EXAMPLE.read_text())
            body["identifier"]["value"] = f"export-{person}-{number}"
            body |= {"subject": {"reference": f"Patient/{person}"}, "authored": f"2026-03-{number * number:02}T18:20:00+01:00"}
            assert ask(f"{BASE}/QuestionnaireResponse", "POST", body).status == 201

    everything = export("$export")
    full = frames(everything)
    assert set(full) == {"QuestionnaireResponse", "Observation", "Provenance"} and everything["requiresAccessToken"] is False
    assert len(full["Observation"]) == len(full["QuestionnaireResponse"]) == sum(PEOPLE.values())
    assert full["Observation"]["id"].is_unique

    asked = ask(f"{BASE}/$export?_type=Observation&_since=" + everything["transactionTime"], Prefer="respond-async")
    assert asked.status == 202
    assert not export("$export?_since=" + everything["transactionTime"])["output"], "nothing has changed since"

    manifest = export("$scorad-research-export")
    research = frames(manifest)["Observation"]
    text = research.to_json()
    assert not any(person in text for person in PEOPLE) and "Patient/" not in text
    here, there = flat(full["Observation"]), flat(research)
    for frame in (here, there):
        assert (frame["total"] == frame["extent-part"] + frame["intensity-part"] + frame["subjective-part"]).all()
    counts = lambda frame: sorted(frame.groupby("who").size())  # noqa: E731
    assert counts(here) == counts(there) == sorted(PEOPLE.values()), "the same people, under other names"
    apart = lambda frame: sorted(tuple(sorted((d - d.min()).dt.days)) for _, d in frame.groupby("who")["end"])  # noqa: E731
    assert apart(here) == apart(there), "intervals are true"
    assert (there["end"].max() < here["end"].max()) and not set(map(str, there["who"])) & set(map(str, here["who"]))
    assert sorted(here["total"]) == sorted(there["total"])
    notes = frames(manifest, "error")["OperationOutcome"].to_json()
    assert "Small group" in notes and "not anonymous" in notes

    assert ask(manifest["where"], "DELETE").status == 202
    assert ask(manifest["output"][0]["url"]).status == 404
    print("pandas: a full and a research export read, parts and totals agree, intervals kept, cancelled")


if __name__ == "__main__":
    main()

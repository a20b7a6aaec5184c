"""The main flows by a client that a stock generator (openapi-python-client) made of the description.

    python_flows.py BASE_URL FOLDER_WITH_PACKAGE_condyle_client
"""

import io
import json
import sys
import time

base, folder = sys.argv[1], sys.argv[2]
sys.path.insert(0, folder)

from condyle_client import Client  # noqa: E402
from condyle_client.api.assets import (  # noqa: E402
    compare_revisions,
    get_report,
    get_revision,
    is_input_known,
    list_assets,
    submit_revision,
)
from condyle_client.api.checks import check_rig, compare_rigs  # noqa: E402
from condyle_client.api.jobs import get_job  # noqa: E402
from condyle_client.models import CompareForm, Job, Plan, Problem, Report, Revision  # noqa: E402
from condyle_client.types import File  # noqa: E402


def plan(parent):
    return {
        "schema": "condyle.plan/1",
        "asset": "lantern-eel",
        "joints": [
            {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": None},
            {"name": "lure", "origin": [0, 1.2, 0], "tip": [0, 1.6, 0], "parent": parent},
        ],
    }


SOUND, BROKEN = plan("hips"), plan("hisp")
client = Client(base_url=base)
at = ("tidepool-post", "lantern-eel")

# Check.
report = check_rig.sync(client=client, body=Plan.from_dict(BROKEN))
assert isinstance(report, Report), report
assert report.verdict == "fail", report.verdict
assert any(one.check == "structure/unknown-parent" for one in report.findings), report.findings
problem = check_rig.sync(client=client, body=Plan.from_dict(SOUND), only="strukture")
assert isinstance(problem, Problem) and problem.suggestion == "structure", problem

# Submit, now and later; poll the job.
first = submit_revision.sync_detailed(*at, "v1", client=client, body=Plan.from_dict(SOUND))
assert first.status_code == 201 and isinstance(first.parsed, Revision), first
assert first.parsed.verdict == "pass", first.parsed
later = submit_revision.sync_detailed(*at, "v2", client=client, body=Plan.from_dict(BROKEN), prefer="respond-async")
assert later.status_code == 202 and isinstance(later.parsed, Job), later
job = later.parsed
for _ in range(300):
    if job.state in ("done", "dead", "cancelled"):
        break
    time.sleep(0.1)
    job = get_job.sync(job.id, client=client, prefer="wait=2")
assert job.state == "done", job

# Read.
revision = get_revision.sync(*at, "v2", client=client)
assert isinstance(revision, Revision) and revision.counts.error == 1, revision
report = get_report.sync(*at, "v2", client=client)
assert isinstance(report, Report) and report.verdict == "fail", report
assert report.findings[0].fix is not None, report.findings[0]
missing = get_report.sync(*at, "v9", client=client)
assert isinstance(missing, Problem) and missing.status == 404, missing
known = is_input_known.sync_detailed(revision.input_sha256, client=client)
assert known.status_code == 204, known
page = list_assets.sync(client=client, production="tidepool-post")
assert "lantern-eel" in [one.asset for one in page.items], page

# Differences: of revisions, and of two uploads.
difference = compare_revisions.sync(*at, client=client)
assert [one.check for one in difference.findings.new] == ["structure/unknown-parent"], difference.findings


def file(value, name):
    return File(payload=io.BytesIO(json.dumps(value).encode()), file_name=name, mime_type="application/json")


form = CompareForm(baseline=file(BROKEN, "old.plan.json"), plan=file(SOUND, "new.plan.json"))
difference = compare_rigs.sync(client=client, body=form)
assert [one.check for one in difference.findings.fixed] == ["structure/unknown-parent"], difference.findings
assert difference.skeleton.reparented[0].joint == "lure", difference.skeleton
print("python: every flow went through")

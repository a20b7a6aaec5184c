// The main flows by openapi-fetch, with the types that openapi-typescript made of the description. Compiled strictly,
// so that what the description says and what is read here must agree.
import createClient from "openapi-fetch";
import assert from "node:assert/strict";
import type { components, paths } from "./schema.js";

const base = process.argv[2];
assert(base, "usage: typescript_flows BASE_URL");
const client = createClient<paths>({ baseUrl: base });

/** An answer that has other forms, too (by `Accept`), as the JSON that it is by default. */
function json<T>(data: T | string | undefined): T {
    assert(data !== undefined && typeof data !== "string", "an answer in JSON");
    return data;
}

type Plan = components["schemas"]["Plan"];

function plan(parent: string): Plan {
    return {
        schema: "condyle.plan/1",
        asset: "stilt-heron",
        joints: [
            { name: "hips", origin: [0, 1, 0], tip: [0, 1.2, 0], parent: null },
            { name: "beak", origin: [0, 1.2, 0], tip: [0, 1.6, 0], parent },
        ],
    };
}

const path = (label: string) => ({ production: "tidepool-post", asset: "stilt-heron", label });

// Check.
const checked = await client.POST("/v1/checks", { body: plan("hisp") });
const found = json(checked.data);
assert("verdict" in found, "a report, and no job");
assert.equal(found.verdict, "fail");
assert(found.findings.some((one) => one.check === "structure/unknown-parent"));
const refused = await client.POST("/v1/checks", { body: plan("hips"), params: { query: { only: "strukture" } } });
assert.equal(refused.error?.suggestion, "structure");

// Submit, now and later; poll the job.
const first = await client.PUT("/v1/assets/{production}/{asset}/revisions/{label}", {
    params: { path: path("v1") },
    body: plan("hips"),
});
assert.equal(first.response.status, 201);
const later = await client.PUT("/v1/assets/{production}/{asset}/revisions/{label}", {
    params: { path: path("v2"), header: { Prefer: "respond-async" } },
    body: plan("hisp"),
});
assert.equal(later.response.status, 202);
const id = (later.data as components["schemas"]["Job"]).id;
let state = "queued";
for (let turn = 0; turn < 100 && !["done", "dead", "cancelled"].includes(state); turn++) {
    const job = await client.GET("/v1/jobs/{id}", { params: { path: { id }, header: { Prefer: "wait=2" } } });
    assert(job.data);
    state = job.data.state;
}
assert.equal(state, "done");

// Read.
const report = await client.GET("/v1/assets/{production}/{asset}/revisions/{label}/report", {
    params: { path: path("v2") },
});
const stored: components["schemas"]["Report"] = json(report.data);
assert.equal(stored.counts.error, 1);
const text = await client.GET("/v1/assets/{production}/{asset}/revisions/{label}/report", {
    params: { path: path("v2") },
    headers: { Accept: "text/plain" },
    parseAs: "text",
});
assert.match(String(text.data), /beak hangs from hisp/);
const missing = await client.GET("/v1/assets/{production}/{asset}/revisions/{label}/report", {
    params: { path: path("v9") },
});
assert.equal(missing.error?.status, 404);
const page = await client.GET("/v1/assets", { params: { query: { production: "tidepool-post" } } });
assert(page.data?.items.some((one) => one.asset === "stilt-heron"));

// Differences: of revisions, and of two uploads.
const between = await client.GET("/v1/assets/{production}/{asset}/difference", {
    params: { path: { production: "tidepool-post", asset: "stilt-heron" } },
});
const changes: components["schemas"]["Difference"] = json(between.data);
assert.deepEqual(changes.findings.new.map((one) => one.check), ["structure/unknown-parent"]);
const uploads = await client.POST("/v1/differences", {
    body: { baseline: JSON.stringify(plan("hisp")), plan: JSON.stringify(plan("hips")) },
    bodySerializer(body) {
        const form = new FormData();
        for (const [name, part] of Object.entries(body)) {
            form.append(name, new Blob([String(part)]), `${name}.plan.json`);
        }
        return form;
    },
});
const differing: components["schemas"]["Difference"] = json(uploads.data);
assert.equal(differing.skeleton?.reparented[0]?.joint, "beak");
console.log("typescript: every flow went through");

// Drives the server at the given address by fhir-kit-client, unmodified; prints what came back as one JSON object.
import { CapabilityTool, Client } from "fhir-kit-client";

const [baseUrl, value] = process.argv.slice(2);
const client = new Client({ baseUrl });
const identifier = [{ system: "https://clinic.example/file", value }];
const patient = { resourceType: "Patient", identifier, name: [{ family: "Kit-Invented", given: ["Ida"] }] };
const height = (reference, centimetres, day) => ({
  resourceType: "Observation",
  status: "final",
  code: { coding: [{ system: "http://loinc.org", code: "8302-2" }] },
  subject: { reference },
  effectiveDateTime: day,
  valueQuantity: { value: centimetres, unit: "cm", system: "http://unitsofmeasure.org", code: "cm" },
});
const seen = {};

const tool = new CapabilityTool(await client.capabilityStatement());
seen.offers = [tool.serverCan("transaction"), tool.resourceCan("Patient", "create"), tool.resourceSearch("Patient", "birthdate")];

const created = await client.create({ resourceType: "Patient", body: patient });
seen.created = Client.httpFor(created).response.status;
const id = created.id;
seen.read = (await client.read({ resourceType: "Patient", id })).name[0].family;
seen.updated = (await client.update({ resourceType: "Patient", id, body: { ...created, gender: "female" } })).meta.versionId;
seen.conditional = (
  await client.update({
    resourceType: "Patient",
    searchParams: { identifier: `https://clinic.example/file|${value}` },
    body: { ...patient, gender: "other" },
  })
).meta.versionId;
const jsonPatch = [{ op: "add", path: "/birthDate", value: "1980-03-02" }];
seen.patched = (await client.patch({ resourceType: "Patient", id, jsonPatch })).birthDate;
seen.first = (await client.vread({ resourceType: "Patient", id, version: "1" })).gender ?? "not said";
seen.history = (await client.history({ resourceType: "Patient", id })).entry.map((each) => each.resource.meta.versionId);

for (let day = 1; day <= 7; day += 1) {
  await client.create({ resourceType: "Observation", body: height(`Patient/${id}`, 160 + day, `2026-03-0${day}`) });
}
let page = await client.search({ resourceType: "Observation", searchParams: { patient: id, _count: "3", _sort: "date" } });
seen.pages = [];
while (page) {
  seen.pages.push(page.entry.map((each) => each.resource.effectiveDateTime));
  page = await client.nextPage({ bundle: page });
}
const posted = { resourceType: "Observation", searchParams: { patient: id, _total: "accurate" }, options: { postSearch: true } };
seen.posted = (await client.search(posted)).total;
const compartment = { resourceType: "Patient", id };
seen.compartment = (await client.search({ resourceType: "Observation", compartment, searchParams: { _total: "accurate" } })).total;
const everything = await client.operation({ name: "everything", resourceType: "Patient", id, method: "GET" });
seen.everything = everything.entry.length;
seen.validated = (await client.operation({ name: "validate", resourceType: "Patient", input: patient })).resourceType;

const place = "urn:uuid:2f7c2e86-3c5f-4a7e-9d5c-6a2a4d1f0001";
const entry = [
  { fullUrl: place, resource: { resourceType: "Patient", name: [{ family: "Kit-Invented" }] }, request: { method: "POST", url: "Patient" } },
  { resource: height(place, 171, "2026-03-02"), request: { method: "POST", url: "Observation" } },
];
const done = await client.transaction({ body: { resourceType: "Bundle", type: "transaction", entry } });
seen.transaction = done.entry.map((each) => each.response.status.split(" ")[0]);
const location = done.entry[1].response.location.split("/_history")[0].split("/").slice(-2).join("/");
const observation = await client.resolve({ reference: location });
seen.resolved = (await client.resolve({ reference: observation.subject.reference })).name[0].family;
const batch = { resourceType: "Bundle", type: "batch", entry: [{ request: { method: "GET", url: `Patient/${id}` } }] };
seen.batch = (await client.batch({ body: batch })).entry[0].resource.id === id;

try {
  await client.create({ resourceType: "Observation", body: { resourceType: "Observation", status: "final" } });
} catch (refused) {
  seen.refused = [refused.response.status, refused.response.data.resourceType];
}
await client.delete({ resourceType: "Patient", id: location.split("/")[1] }).catch((refused) => {
  seen.deletedNobody = refused.response.status;
});
await client.delete({ resourceType: "Observation", id: location.split("/")[1] });
try {
  await client.read({ resourceType: "Observation", id: location.split("/")[1] });
} catch (refused) {
  seen.gone = refused.response.status;
}
console.log(JSON.stringify(seen));

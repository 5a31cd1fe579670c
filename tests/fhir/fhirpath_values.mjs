// Reads [{expression, resources}] and prints, for each, the values that the FHIRPath engine of npm finds in each resource.
import { readFileSync } from "node:fs";
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";

const cases = JSON.parse(readFileSync(process.argv[2], "utf8"));
const found = cases.map(({ expression, resources }) => {
  const evaluate = fhirpath.compile(expression, r4);
  return resources.map((resource) => evaluate(resource));
});
console.log(JSON.stringify(found));

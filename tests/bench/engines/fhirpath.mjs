// The simple rule through fhirpath.js: one expression, compiled once, asked for each analyte.
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";
import { measured, rule } from "./measuring.mjs";

const isFine = fhirpath.compile(rule.fhirpath, r4, { preciseMath: true });
const analytes = Object.values(rule.codes);
const instant = (text) => fhirpath.evaluate({}, `@${text}`, null, null, { resolveInternalTypes: false })[0];

await measured(async ({ since }, bundle) =>
  analytes.every((codes) => isFine(bundle, { codes, since: instant(since) })[0] === true),
);

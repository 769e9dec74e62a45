// The simple rule through cql-execution and cql-exec-fhir, from the ELM that the reference translator made.
import { readFileSync } from "node:fs";
import cql from "cql-execution";
import fhir from "cql-exec-fhir";
import { measured, rule } from "./measuring.mjs";

const elm = JSON.parse(readFileSync(new URL("SimpleRule.elm.json", import.meta.url)));
const library = new cql.Library(elm);
const coded = (codes) => ({ 1: codes.map((code) => ({ code, system: "http://loinc.org" })) });
const valueSets = new cql.CodeService(
  Object.fromEntries(Object.entries(rule.codes).map(([name, codes]) => [rule.value_sets + name, coded(codes)])),
);
const source = fhir.PatientSource.FHIRv401(); // made once: each reads the whole model

await measured(async ({ since }, bundle) => {
  source.reset();
  source.loadBundles([bundle]);
  const executor = new cql.Executor(library, valueSets, { Since: cql.DateTime.parse(since) });
  const { patientResults } = await executor.exec(source);
  const [answers] = Object.values(patientResults);
  return answers.Advance;
});

// What an engine on Node.js does with the charts it is given: `node ENGINE.mjs CASES SECONDS`, see ../other_engines.py.
import { createReadStream, readFileSync } from "node:fs";
import { createInterface } from "node:readline";

/** The codes of the analytes, and the rule as an expression. */
export const rule = JSON.parse(readFileSync(new URL("simple-rule.json", import.meta.url)));

/** Print verdicts for all cases, and patients per second of processor time, on parsed charts and on text. */
export async function measured(advances) {
  const [cases, seconds] = [[], Number(process.argv[3])];
  for await (const line of createInterface({ input: createReadStream(process.argv[2]) })) cases.push(JSON.parse(line));
  const verdicts = [];
  for (const one of cases) verdicts.push(await advances(one, JSON.parse(one.chart)));
  const timed = cases.filter((one) => one.timed);
  const parsed = timed.map((one) => JSON.parse(one.chart));
  const on_parsed = await pace(timed, seconds, (one, i) => advances(one, parsed[i]));
  const on_text = await pace(timed, seconds, (one) => advances(one, JSON.parse(one.chart)));
  process.stdout.write(JSON.stringify({ verdicts, on_parsed, on_text }) + "\n");
}

/** Patients per second of this process's processor time, garbage collection included, after a warm-up half as long. */
async function pace(cases, seconds, run) {
  await some(cases, seconds / 2, run);
  const { patients, spent } = await some(cases, seconds, run);
  return patients / spent;
}

async function some(cases, seconds, run) {
  const before = process.cpuUsage();
  let [patients, spent] = [0, 0];
  while (spent < seconds) {
    for (let i = 0; i < cases.length; i++) await run(cases[i], i);
    patients += cases.length;
    const { user, system } = process.cpuUsage(before);
    spent = (user + system) / 1e6;
  }
  return { patients, spent };
}

// Validates reports against docs/report.schema.json with a second validator, the npm package ajv.
//
//     NODE_PATH=... node .ci/validate_reports.mjs REPORTS      (REPORTS holds <slide id>/report.json)
//
// So that the check cannot pass by accepting everything, each report must also be refused with a field taken out.
import { readdirSync, readFileSync, existsSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";

const require = createRequire(join(process.env.NODE_PACKAGES, "x.js"));
const Ajv = require("ajv/dist/2020").default;
const read = path => JSON.parse(readFileSync(path, "utf8"));
// The schema names widths of numbers (uint32) that JSON Schema leaves to whoever writes it: they constrain by minimum as well.
const validate = new Ajv({ allErrors: true, strict: true, validateFormats: false }).compile(read("docs/report.schema.json"));

const folder = process.argv[2];
const paths = readdirSync(folder).sort().map(id => join(folder, id, "report.json")).filter(path => existsSync(path));
let wrong = 0;
const complain = text => { wrong += 1; console.log(text); };
for (const path of paths) {
  const report = read(path);
  if (!validate(report)) for (const e of validate.errors) complain(`${path}: ${e.instancePath} ${e.message}`);
  for (const field of ["verdict", "thickness", "photographs"]) {
    const { [field]: _, ...short } = report;
    if (validate(short)) complain(`${path}: the schema does not ask for ${field}`);
  }
}
console.log(`${paths.length} reports validated, ${wrong} complaints`);
process.exit(wrong || !paths.length ? 1 : 0);

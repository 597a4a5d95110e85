// Parses an AsyncAPI document (path as argument) and prints every finding; exits with 1 when there is one.
import { readFile } from "node:fs/promises";
import parserPackage from "@asyncapi/parser";

const { Parser } = parserPackage;
const text = await readFile(process.argv[2], "utf8");
const { document, diagnostics } = await new Parser().parse(text);
for (const each of diagnostics) {
  console.log(`severity ${each.severity} ${each.code} at ${each.path.join("/")}: ${each.message}`);
}
if (document === undefined || diagnostics.some((each) => each.severity <= 1)) process.exit(1);
const operations = document.operations().all();
console.log(JSON.stringify({
  version: document.version(),
  send: operations.filter((each) => each.isSend()).map((each) => each.id()),
  receive: operations.filter((each) => each.isReceive()).map((each) => each.id()),
  addresses: document.channels().all().map((each) => each.address()),
}));

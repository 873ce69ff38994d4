// What taplo's language server offers at a place of a file, as a JSON list: node complete.js FILE LINE COLUMN
"use strict";
const fs = require("node:fs");
const path = require("node:path");
const { TaploLsp } = require("@taplo/lsp");

const [file, line, character] = [path.resolve(process.argv[2]), Number(process.argv[3]), Number(process.argv[4])];
const uri = `file://${file}`;
const root = `file://${path.dirname(file)}`;
const refused = () => Promise.reject(new Error("not here"));
const environment = {
  now: () => new Date(),
  envVar: (name) => process.env[name],
  envVars: () => Object.entries(process.env),
  stdErrAtty: () => false,
  stdin: refused,
  stdout: async (bytes) => bytes.length,
  stderr: async (bytes) => bytes.length,
  glob: () => [],
  readFile: (name) => fs.promises.readFile(name),
  writeFile: refused,
  urlToFilePath: (url) => decodeURIComponent(url.replace(/^file:\/\//, "")),
  isAbsolute: (name) => path.isAbsolute(name),
  cwd: () => process.cwd(),
  findConfigFile: () => undefined,
  fetch: { fetch: refused, Headers, Request, Response },
};

(async () => {
  const waiting = new Map();
  const server = await TaploLsp.initialize(environment, {
    onMessage: (message) => {
      if (message.method !== undefined && message.id !== undefined) {
        const result = message.method === "workspace/configuration" ? [{}] : null;
        server.send({ jsonrpc: "2.0", id: message.id, result });
      } else if (waiting.has(message.id)) {
        waiting.get(message.id)(message.result);
      }
    },
  });
  let last = 0;
  const ask = (method, params) =>
    new Promise((answer) => {
      last += 1;
      waiting.set(last, answer);
      server.send({ jsonrpc: "2.0", id: last, method, params });
    });
  const tell = (method, params) => server.send({ jsonrpc: "2.0", method, params });
  const folders = [{ uri: root, name: "folder" }];
  await ask("initialize", { processId: null, rootUri: root, workspaceFolders: folders, capabilities: {} });
  tell("initialized", {});
  const text = fs.readFileSync(file, "utf8");
  tell("textDocument/didOpen", { textDocument: { uri, languageId: "toml", version: 1, text } });
  let labels = [];
  // The schema is read beside: until it is there, nothing is offered.
  for (let round = 0; round < 40 && labels.length === 0; round += 1) {
    await new Promise((done) => setTimeout(done, 250));
    const found = await ask("textDocument/completion", { textDocument: { uri }, position: { line, character } });
    labels = (Array.isArray(found) ? found : (found?.items ?? [])).map((item) => item.label);
  }
  fs.writeSync(1, JSON.stringify(labels));
  process.exit(0);
})();

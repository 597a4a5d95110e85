// Node-RED without its editor's door open to the network; the flow's password stands in flow_cred.json (mode 600).
module.exports = {
  uiHost: "127.0.0.1",
  uiPort: Number(process.env.NODE_RED_PORT),
  flowFile: "flow.json",
  credentialSecret: false,
  httpAdminRoot: false,
  httpNodeRoot: false,
  diagnostics: { enabled: false },
  telemetry: { enabled: false },
  logging: { console: { level: "info" } },
};

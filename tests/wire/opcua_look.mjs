// A client of another make looks at a line: reads values and structures, hears of an event, calls a method.
// node opcua_look.mjs NODE_MODULES URL FOLDER_FOR_ITS_CERTIFICATE  ->  one JSON object, a line of its output
import { createRequire } from "node:module";
import { join } from "node:path";

const [folder, url, pki] = process.argv.slice(2);
const require = createRequire(join(folder, "package.json"));
const opcua = require("node-opcua-client");
const { AttributeIds, OPCUAClient, MessageSecurityMode, SecurityPolicy, TimestampsToReturn } = opcua;

const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const client = OPCUAClient.create({
  clientCertificateManager: new OPCUACertificateManager({ rootFolder: pki, automaticallyAcceptUnknownCertificate: true }),
  endpointMustExist: false,
  securityMode: MessageSecurityMode.None,
  securityPolicy: SecurityPolicy.None,
  connectionStrategy: { maxRetry: 1 },
});

function plain(value) {
  if (value === null || typeof value !== "object") return value;
  if (value instanceof Date) return value.toISOString();
  if (Array.isArray(value)) return value.map(plain);
  const json = typeof value.toJSON === "function" ? value.toJSON() : value;
  return typeof json === "object" ? Object.fromEntries(Object.entries(json).map(([k, v]) => [k, plain(v)])) : json;
}

const found = { values: {}, calls: {} };
await client.connect(url);
const session = await client.createSession();
try {
  const namespaces = await session.readNamespaceArray();
  const ours = namespaces.indexOf("urn:beltcue:line");
  const packml = namespaces.indexOf("http://opcfoundation.org/UA/PackML/");
  const id = (path) => `ns=${ours};s=demo/${path}`;

  const folderOfUnits = await session.browse({ nodeId: `ns=${packml};i=72`, referenceTypeId: "Organizes", includeSubtypes: true, resultMask: 63 });
  found.units = folderOfUnits.references.filter((r) => r.isForward).map((r) => r.browseName.name);

  for (const path of ["State", "Tracking/Speed", "Admin/ProdConsumedCount", "Admin/StopReason", "Admin/Alarm",
    "BaseStateMachine/CurrentState/Number", "Status/MachSpeed", "Tracking/Speed/EURange"]) {
    const data = await session.read({ nodeId: id(path), attributeId: AttributeIds.Value });
    found.values[path] = { status: data.statusCode.name, value: plain(data.value.value) };
  }

  const subscription = await session.createSubscription2({
    requestedPublishingInterval: 20, requestedLifetimeCount: 100, requestedMaxKeepAliveCount: 10,
    maxNotificationsPerPublish: 100, publishingEnabled: true, priority: 1,
  });
  const filter = opcua.constructEventFilter(["Message", "Severity", "SourceName", `${ours}:Fault`, `${ours}:FirstCause`]);
  const item = await subscription.monitor(
    { nodeId: `ns=${ours};s=demo`, attributeId: AttributeIds.EventNotifier },
    { samplingInterval: 0, queueSize: 10, discardOldest: true, filter }, TimestampsToReturn.Both);
  const event = new Promise((resolve, reject) => {
    setTimeout(() => reject(new Error("no event within 10 s")), 10_000).unref();
    item.on("changed", (fields) => resolve(fields.map((field) => plain(field.value))));
  });

  const place = id("BaseStateMachine/MachineState/ExecuteState");
  for (const [name, method] of [["Hold", 366], ["Start", 369]]) {
    const answer = await session.call({ objectId: place, methodId: `ns=${packml};i=${method}`, inputArguments: [] });
    found.calls[name] = answer.statusCode.name;
  }
  found.event = await event;
  await subscription.terminate();
} finally {
  await session.close();
  await client.disconnect();
}
console.log(JSON.stringify(found));

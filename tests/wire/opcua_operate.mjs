// A client of another make operates a line: over an encrypted connection, with a user, step by step.
// node opcua_operate.mjs NODE_MODULES JOBS.json  ->  a list, one object a job, as a line of its output
// A job: url, pki (folder for what it keeps), security ("Basic256Sha256", ... or "None"), user, password, steps, and
// certificate and key in files unless it shall make its own. What it could not do stands under "error".
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";

const [folder, jobs] = process.argv.slice(2);
const require = createRequire(join(folder, "package.json"));
const { AttributeIds, MessageSecurityMode, OPCUAClient, SecurityPolicy, UserTokenType, makeBrowsePath } = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const WAIT_MS = 20_000;
const EXECUTE = "BaseStateMachine/MachineState/ExecuteState";

function clientOf(job) {
  const open = job.security === "None";
  return OPCUAClient.create({
    applicationName: "tests",
    ...(job.certificate ? { certificateFile: job.certificate, privateKeyFile: job.key, applicationUri: job.uri } : {}),
    clientCertificateManager: new OPCUACertificateManager({ rootFolder: job.pki, automaticallyAcceptUnknownCertificate: true }),
    endpointMustExist: false,
    securityMode: open ? MessageSecurityMode.None : MessageSecurityMode.SignAndEncrypt,
    securityPolicy: SecurityPolicy[job.security],
    connectionStrategy: { maxRetry: 0 },
    requestedSessionTimeout: 20_000,
  });
}

async function operate(job, client, found) {
  await client.connect(job.url);
  const session = found.session = await client.createSession(
    job.user ? { type: UserTokenType.UserName, userName: job.user, password: job.password } : undefined);
  found.connected = true;
  const namespaces = await session.readNamespaceArray();
  const ours = namespaces.indexOf("urn:beltcue:line");
  const packml = namespaces.indexOf("http://opcfoundation.org/UA/PackML/");
  const id = (path) => `ns=${ours};s=${job.line}/${path}`;

  const units = await session.browse({ nodeId: `ns=${packml};i=72`, referenceTypeId: "Organizes", includeSubtypes: true, resultMask: 63 });
  found.units = units.references.filter((r) => r.isForward).map((r) => r.browseName.name);
  const members = await session.browse(id(EXECUTE));
  found.methods = members.references.map((r) => r.browseName.name).filter((name) => ["Reset", "Start"].includes(name)).sort();

  const subscription = await session.createSubscription2({
    requestedPublishingInterval: 50, requestedLifetimeCount: 100, requestedMaxKeepAliveCount: 10,
    maxNotificationsPerPublish: 100, publishingEnabled: true, priority: 1,
  });
  const item = await subscription.monitor(
    { nodeId: id("State"), attributeId: AttributeIds.Value }, { samplingInterval: 0, queueSize: 20, discardOldest: true }, 2);
  let state = null;
  const waiting = [];
  item.on("changed", (data) => {
    state = data.value.value;
    for (const look of [...waiting]) look();
  });
  const until = (wanted) => new Promise((resolve, reject) => {
    const timer = setTimeout(() => reject(new Error(`no ${wanted} within ${WAIT_MS} ms, but ${state}`)), WAIT_MS);
    const look = () => {
      if (state !== wanted) return;
      clearTimeout(timer);
      waiting.splice(waiting.indexOf(look), 1);
      resolve();
    };
    waiting.push(look);
    look();
  });

  for (const [what, name] of job.steps) {
    if (what === "read") {
      found.steps.push((await session.read({ nodeId: id(name), attributeId: AttributeIds.Value })).value.value);
    } else if (what === "hear") {
      await until(name);
      found.steps.push(name);
    } else if (what === "write") {
      const value = await session.read({ nodeId: id(name), attributeId: AttributeIds.Value });
      const code = await session.write({ nodeId: id(name), attributeId: AttributeIds.Value, value: { value: value.value } });
      found.steps.push(code.name);
    } else {
      const [method] = (await session.translateBrowsePath(makeBrowsePath(id(EXECUTE), `/${packml}:${name}`))).targets;
      const answer = await session.call({ objectId: id(EXECUTE), methodId: method.targetId, inputArguments: [] });
      found.steps.push(answer.statusCode.name);
    }
  }
  await subscription.terminate();
}

const all = [];
for (const job of JSON.parse(readFileSync(jobs, "utf8"))) {
  const client = clientOf(job);
  const found = { steps: [] };
  try {
    await operate(job, client, found);
  } catch (error) {
    found.error = error.message;
  }
  try {
    if (found.session) await found.session.close();
    await client.disconnect();
  } catch {
    // what is closed already
  }
  delete found.session;
  all.push(found);
}
console.log(JSON.stringify(all));
process.exit(0);

// A client of another make reads the plant's map, four requests at once, and gives one command by its rules.
// node plant_modbus_ask.mjs NODE_MODULES PORT  ->  one JSON object
import { createRequire } from "node:module";
import { join } from "node:path";

const [folder, port] = process.argv.slice(2);
const ModbusRTU = createRequire(join(folder, "package.json"))("modbus-serial");

const client = new ModbusRTU();
await client.connectTCP("127.0.0.1", { port: Number(port) });
client.setID(1);
client.setTimeout(5000);
const found = { rounds: 0, wrong: [] };
for (let round = 0; round < 50; round += 1) {
  const told = await Promise.allSettled([
    client.readHoldingRegisters(0, 120), client.readInputRegisters(3, 1), client.readCoils(0, 16),
    client.readDiscreteInputs(160, 18),
  ]);
  const [holding, input, coils, discrete] = told.map((one) => one.value?.data);
  const right = told.every((one) => one.status === "fulfilled") && holding.length === 120 && holding[0] === 1 &&
    input.length === 1 && input[0] === holding[3] && coils[5] === true && discrete[holding[3]] === true;
  if (right) found.rounds += 1;
  else found.wrong.push(told.map((one) => String(one.reason?.message ?? one.status)));
  found.state = holding?.[3];
}
const number = (await client.readHoldingRegisters(115, 1)).data[0];
await client.writeRegisters(150, [3, 0, number]);
let shown;
do shown = (await client.readHoldingRegisters(110, 6)).data;
while (shown[3] === 1);
found.command = [shown[0] === number, shown[1], shown[3]];
const refused = async (ask) => { try { await ask(); return 0; } catch (error) { return error.modbusCode; } };
found.codes = [
  await refused(() => client.writeRegisters(150, [3, 0, number + 2])), await refused(() => client.writeCoil(0, true)),
  await refused(() => client.readHoldingRegisters(120, 1)),
];
console.log(JSON.stringify(found));
client.close(() => process.exit(0));

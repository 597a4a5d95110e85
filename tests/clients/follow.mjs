// Follows the next run of an instrument and aborts it after a number of points: npm package mqtt.
//
// usage: node follow.mjs URL PASSWORD_FILE NODE INSTRUMENT POINTS        URL like mqtts://user@host:8883
import { randomUUID } from "node:crypto";
import { readFileSync } from "node:fs";
import mqtt from "mqtt";

const [url, passwordFile, node, instrument, most] = process.argv.slice(2);
const user = new URL(url).username;
const base = `luggin/${node}/${instrument}`;
const client = await mqtt.connectAsync(url, { password: readFileSync(passwordFile, "utf8").trim() });

let next = 0; // index of the point that should come next: a gap is asked for, see below
let aborted = null;
const request = randomUUID(); // every command has a name of its own, so that repeating it does nothing

client.on("message", async (topic, payload) => {
  const message = JSON.parse(payload);
  if (topic.endsWith("/points")) {
    if (message.first > next) {
      // Missed while we were not connected: the store has them.
      console.error(`points ${next} to ${message.first - 1} of ${message.run} were missed; ask ${node}/store for them`);
    }
    next = message.first + message.count;
    if (next >= Number(most) && aborted === null) {
      aborted = message.run;
      const body = { version: 1, request, reply_to: `${base}/reply/${user}` };
      await client.publishAsync(`${base}/command/${user}/abort`, JSON.stringify(body), { qos: 1 });
    }
  } else if (topic.endsWith(`/reply/${user}`) && message.request === request) {
    console.log(JSON.stringify({ reply: message }));
  } else if (topic.endsWith("/result") && message.run === aborted) {
    console.log(JSON.stringify({ result: message, points: next }));
    await client.endAsync();
  }
});
await client.subscribeAsync([`${base}/run/+/points`, `${base}/run/+/result`, `${base}/reply/${user}`], { qos: 1 });
console.log("ready");

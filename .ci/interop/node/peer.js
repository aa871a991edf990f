"use strict";
/*
 * A foreign peer on the line, made with modbus-serial; the words are those of
 * ../peer.c:
 *
 *   node peer.js serve tcp UNIT                server, MBAP, on a free port of 127.0.0.1
 *   node peer.js serve rtu HOST:PORT UNIT      server, RTU, on a serial line that waits there
 *   node peer.js ask KIND HOST:PORT UNIT       client; KIND is one of
 *       tcp           MBAP in TCP
 *       tcp-buffered  the same by the library's other reader
 *       udp           MBAP in datagrams
 *       rtu-tcp       RTU inside TCP
 *       rtu           RTU on a serial line that waits there
 *       ascii         ASCII on a serial line that waits there
 *
 * A server that has its contents says "listening tcp HOST:PORT" or "listening
 * rtu HOST:PORT". It ends by itself after two minutes, whatever happens.
 */
const Module = require("module");
const net = require("net");
const path = require("path");
const readline = require("readline");

const ITEMS = 200; // addresses of each table, from 0
const LIFE = 120e3; // ms
const REPLY = 5000; // ms

setTimeout(() => fail("two minutes are over"), LIFE).unref();

// The library asks for the native module by name; it gets port.js.
const resolve = Module._resolveFilename;
Module._resolveFilename = function(name, ...rest) {
    return name === "serialport" ? path.join(__dirname, "port.js") : resolve.call(this, name, ...rest);
};
const Client = require("modbus-serial");
const handlers = require("modbus-serial/servers/servertcp_handler");

function fail(why) {
    process.stderr.write(`peer: ${why}\n`);
    process.exit(1);
}

function say(line) {
    process.stdout.write(line + "\n");
}

/* ---- server ---- */

const tables = {
    "coil": new Array(ITEMS).fill(false),
    "discrete-input": new Array(ITEMS).fill(false),
    "input-register": new Array(ITEMS).fill(0),
    "holding-register": new Array(ITEMS).fill(0)
};

// pair is the two registers of a 32-bit number, high word first, as the
// platform's own buffers order it.
function pair(kind, value) {
    const b = Buffer.alloc(4);
    if (kind === "uint32") {
        b.writeUInt32BE(value);
    } else {
        b.writeFloatBE(value);
    }
    const words = [b.readUInt16BE(0), b.readUInt16BE(2)];
    return kind.endsWith("cdab") ? words.reverse() : words;
}

function put(line) {
    const words = line.split(" ");
    if (words.length === 3) {
        const [table, at, value] = [tables[words[0]], Number(words[1]), Number(words[2])];
        table[at] = typeof table[at] === "boolean" ? value !== 0 : value;
        return;
    }
    const [kind, table, at, value] = words;
    pair(kind, Number(value)).forEach((word, i) => { tables[table][Number(at) + i] = word; });
}

// have gives the index of an address, or answers with exception 02.
function have(at) {
    if (at >= ITEMS) {
        throw Object.assign(new Error("no such address"), { modbusErrorCode: 2 });
    }
    return at;
}

const vector = {
    getCoil: (at) => tables["coil"][have(at)],
    getDiscreteInput: (at) => tables["discrete-input"][have(at)],
    getInputRegister: (at) => tables["input-register"][have(at)],
    getHoldingRegister: (at) => tables["holding-register"][have(at)],
    setCoil: (at, value) => { tables["coil"][have(at)] = value; },
    setRegister: (at, value) => { tables["holding-register"][have(at)] = value; }
};

// noted makes every handler say what it was asked for.
function noted() {
    for (const name of Object.keys(handlers)) {
        const handle = handlers[name];
        handlers[name] = function(request, ...rest) {
            say(`function ${request[1]} address ${request.readUInt16BE(2)}`);
            return handle.call(this, request, ...rest);
        };
    }
}

// serveTCP looks for a free port, because the library takes 0 for its default;
// again when somebody else took it in between.
function serveTCP(unit, tries = 20) {
    const free = net.createServer().listen(0, "127.0.0.1", () => {
        const port = free.address().port;
        free.close(() => {
            const server = new Client.ServerTCP(vector, { host: "127.0.0.1", port, unitID: unit });
            server.on("initialized", () => say(`listening tcp 127.0.0.1:${port}`));
            server.on("serverError", (err) => tries > 1 ? serveTCP(unit, tries - 1) : fail(err.message));
            server.on("socketError", () => {}); // a client that goes
        });
    });
}

function serveRTU(where, unit) {
    const Server = require("modbus-serial/servers/serverserial");
    const server = new Server(vector, { path: where, unitID: unit, interval: 5 });
    server.on("initialized", () => say(`listening rtu ${where}`));
    server.getPort().on("error", (err) => fail(err.message));
}

function serve(kind, where, unit) {
    noted();
    const input = readline.createInterface({ input: process.stdin });
    input.on("line", put);
    input.on("close", () => kind === "tcp" ? serveTCP(unit) : serveRTU(where, unit));
}

/* ---- client ---- */

const connect = {
    "tcp": (c, host, port) => c.connectTCP(host, { port }),
    "tcp-buffered": (c, host, port) => c.connectTcpRTUBuffered(host, { port }),
    "udp": (c, host, port) => c.connectUDP(host, { port }),
    "rtu-tcp": (c, host, port) => c.connectTelnet(host, { port }),
    "rtu": (c, host, port) => c.connectRTUBuffered(`${host}:${port}`, { baudRate: 19200 }),
    "ascii": (c, host, port) => c.connectAsciiSerial(`${host}:${port}`, { baudRate: 19200 })
};

const bits = (n) => (answer) => answer.data.slice(0, n[1]).map(Number);
const words = (answer) => answer.data;
const nothing = () => [];

// requests are the library's calls for a function code and its numbers.
const requests = {
    "1": (c, n) => c.readCoils(n[0], n[1]).then(bits(n)),
    "2": (c, n) => c.readDiscreteInputs(n[0], n[1]).then(bits(n)),
    "3": (c, n) => c.readHoldingRegisters(n[0], n[1]).then(words),
    "4": (c, n) => c.readInputRegisters(n[0], n[1]).then(words),
    "5": (c, n) => c.writeCoil(n[0], n[1] !== 0).then(nothing),
    "6": (c, n) => c.writeRegister(n[0], n[1]).then(nothing),
    "15": (c, n) => c.writeCoils(n[0], n.slice(1).map(Boolean)).then(nothing),
    "16": (c, n) => c.writeRegisters(n[0], n.slice(1)).then(nothing),
    "22": (c, n) => c.maskWriteRegister(n[0], n[1], n[2]).then(nothing),
    "23": (c, n) => c.readWriteRegisters(n[0], n[1], n[2], n.length - 3, n.slice(3)).then(words),
    "43": (c, n) => c.readDeviceIdentification(n[0], n[1]).then((answer) => [JSON.stringify(answer.data)]),
    "float-cdab": (c, n) => requests[n[0]](c, [n[1], 2]).then((w) => {
        const b = Buffer.alloc(4);
        b.writeUInt16BE(w[1], 0);
        b.writeUInt16BE(w[0], 2);
        return [Number(b.readFloatBE().toPrecision(9))];
    })
};

async function answer(client, line) {
    const [kind, ...rest] = line.trim().split(/\s+/);
    if (!(kind in requests)) {
        fail(`no such request here: ${line}`);
    }
    try {
        return ["ok", ...await requests[kind](client, rest.map(Number))].join(" ");
    } catch (err) {
        return err.modbusCode ? `exception ${err.modbusCode}` : `error ${err.message}`;
    }
}

async function ask(kind, where, unit) {
    const client = new Client();
    const [host, port] = where.split(":");
    client.on("error", (err) => fail(err.message));
    await connect[kind](client, host, Number(port));
    while (!client.isOpen) { // datagrams: the socket is not yet bound
        await new Promise(setImmediate);
    }
    client.setID(unit);
    client.setTimeout(REPLY);
    for await (const line of readline.createInterface({ input: process.stdin })) {
        say(await answer(client, line));
    }
    process.exit(0);
}

const [does, kind, ...rest] = process.argv.slice(2);
const unit = Number(rest[rest.length - 1]);
if (does === "serve" && (kind === "tcp" || kind === "rtu")) {
    serve(kind, rest[0], unit);
} else if (does === "ask" && kind in connect) {
    ask(kind, rest[0], unit).catch((err) => fail(err.message));
} else {
    fail("usage: see the head of peer.js");
}

#!/usr/bin/env node
/* BACnet/IP devices on @bacnet-js/client, driven by the test that starts them.

    NODE_PATH=.../node_modules node bacnet_devices.cjs [PORT]

A doorway listens on the loopback port, a free one if none is given, and prints
"listening PORT". Each device has a socket of its own: what a broadcast would do
on a real network the doorway does here, by letting every device hear a Who-Is
that comes to it. It then obeys one command a line on standard input and answers
each with "done", and "asked" with what was asked:

    device N                        a device that has no object but itself; a second one of that
                                    instance is N'
    fan N [KEY=NUMBER ...]          a device that runs a fan; see Plant
    mode N MODE                     normal, pinned, idle, inverted, or still: it holds its values
    set N OBJECT PROPERTY VALUE     OBJECT as in "analog-input,3"; the object exists from then on
    flags N OBJECT [FLAG ...]       fault, overridden, out-of-service; nothing for none
    remove N OBJECT
    multiple N yes|no               whether it knows ReadPropertyMultiple
    silent N yes|no
    lose SHARE                      of all datagrams, both ways, as in 0.2
    asked N                         answers "asked multiple M single S write W"

The stack neither segments nor routes. */
'use strict'
const readline = require('node:readline')
const { default: Client, ApplicationTag: Tag, ErrorClass, ErrorCode, ObjectType, PropertyIdentifier, Segmentation,
	StatusFlags, StatusFlagsBitString, ASN1_ARRAY_ALL } = require('@bacnet-js/client')
const Transport = require('@bacnet-js/client/dist/lib/transport').default

const loopback = '127.0.0.1'
const longest = 1482 // bytes of a datagram: an APDU of 1476 (clause 20.1.2.5), NPDU and BVLC
let lost = 0 // the share of datagrams that do not arrive

// A generator with a seed, so that a test that fails fails again.
let seed = 20261125
function random() {
	seed = (seed + 0x6d2b79f5) | 0
	let t = Math.imul(seed ^ (seed >>> 15), 1 | seed)
	t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t
	return ((t ^ (t >>> 14)) >>> 0) / 4294967296
}

/** A socket that loses datagrams both ways. Port 0 is any free one: the stack's own
 * transport takes it for its default. */
class Wire extends Transport {
	silent = false
	open() { this._server.bind(this._settings.port, loopback) }
	hears() { return !this.silent && random() >= lost }
	emit(event, ...args) { return event === 'message' && !this.hears() ? false : super.emit(event, ...args) }
	send(buffer, size, receiver) {
		if (size > longest) throw new RangeError('longer than a datagram, and the stack has no segments')
		if (this.hears()) super.send(buffer, size, receiver)
	}
}

/** open returns a client of the stack once its socket is bound. */
function open(port) {
	const wire = new Wire({ port, interface: loopback, broadcastAddress: loopback, reuseAddr: false })
	const client = new Client({ transport: wire })
	client.on('error', (e) => { throw e })
	return new Promise((ready) => wire.on('listening', (at) => ready({ client, wire, port: at.port })))
}

const id = (name) => Number(name) || PropertyIdentifier[name.toUpperCase().replaceAll('-', '_')] || fail(`property ${name}`)
function fail(what) { throw new Error(`unknown ${what}`) }

/** parse reads "analog-input,3". */
function parse(text) {
	const [type, instance] = text.split(',')
	return { type: ObjectType[type.toUpperCase().replaceAll('-', '_')] ?? fail(`object ${text}`), instance: Number(instance) }
}

const analog = [ObjectType.ANALOG_INPUT, ObjectType.ANALOG_OUTPUT, ObjectType.ANALOG_VALUE]
const binary = [ObjectType.BINARY_INPUT, ObjectType.BINARY_OUTPUT, ObjectType.BINARY_VALUE]
const P = PropertyIdentifier

/** One object: what was set of it, and a priority array if it can be commanded. */
class Thing {
	values = new Map()
	flags = []
	constructor(id) {
		this.id = id
		if ([ObjectType.ANALOG_OUTPUT, ObjectType.BINARY_OUTPUT].includes(id.type)) this.commands = Array(16).fill(null)
	}
	get present() {
		const top = this.commands?.find((c) => c !== null)
		return top ?? this.values.get(P.PRESENT_VALUE) ?? 0
	}
	number(value) {
		if (value === null) return { type: Tag.NULL, value }
		if (analog.includes(this.id.type)) return { type: Tag.REAL, value }
		return { type: binary.includes(this.id.type) ? Tag.ENUMERATED : Tag.UNSIGNED_INTEGER, value }
	}
	/** read returns the values of a property, undefined where it has none. */
	read(property) {
		switch (property) {
			case P.OBJECT_IDENTIFIER: return [{ type: Tag.OBJECTIDENTIFIER, value: this.id }]
			case P.OBJECT_TYPE: return [{ type: Tag.ENUMERATED, value: this.id.type }]
			case P.STATUS_FLAGS: return [{ type: Tag.BIT_STRING, value: new StatusFlagsBitString(...this.flags) }]
			case P.OUT_OF_SERVICE: return [{ type: Tag.BOOLEAN, value: this.flags.includes(StatusFlags.OUT_OF_SERVICE) }]
			case P.PRIORITY_ARRAY: return this.commands?.map((c) => this.number(c))
			case P.PRESENT_VALUE: return [this.number(this.present)]
		}
		const value = this.values.get(property)
		switch (true) {
			case property === P.STATE_TEXT: return value?.split('|').map((s) => ({ type: Tag.CHARACTER_STRING, value: s }))
			case value === undefined: return undefined
			case typeof value === 'string': return [{ type: Tag.CHARACTER_STRING, value }]
			case property === P.RELINQUISH_DEFAULT: return [this.number(value)]
			case property === P.NUMBER_OF_STATES: return [{ type: Tag.UNSIGNED_INTEGER, value }]
		}
		return [{ type: Tag.ENUMERATED, value }] // units, polarity, reliability
	}
}

const texts = [P.OBJECT_NAME, P.DESCRIPTION, P.STATE_TEXT]
const arrays = [P.OBJECT_LIST, P.PRIORITY_ARRAY, P.STATE_TEXT]

/** A device with its objects and its socket. */
class Device {
	things = new Map()
	asked = { multiple: 0, single: 0, write: 0 }
	constructor(instance, { client, wire }) {
		Object.assign(this, { instance, client, wire })
		this.set(`device,${instance}`, 'object-name', `Controller ${instance}`)
		client.on('readProperty', (m) => this.single(m))
		client.on('writeProperty', (m) => this.write(m))
		this.multiple(true)
	}
	get list() { return [...this.things.values()].map((t) => ({ type: Tag.OBJECTIDENTIFIER, value: t.id })) }
	thing(text) {
		if (!this.things.has(text)) this.things.set(text, new Thing(parse(text)))
		return this.things.get(text)
	}
	set(object, property, value) {
		this.thing(object).values.set(id(property), texts.includes(id(property)) ? value : Number(value))
	}
	find(o) { return [...this.things.values()].find((t) => t.id.type === o.type && t.id.instance === o.instance) }

	/** values returns what a property holds, or why it holds nothing. */
	values(object, { id, index }) {
		const thing = this.find(object)
		if (!thing) return { errorClass: ErrorClass.OBJECT, errorCode: ErrorCode.UNKNOWN_OBJECT }
		const all = id === P.OBJECT_LIST && object.type === ObjectType.DEVICE ? this.list : thing.read(id)
		if (!all) return { errorClass: ErrorClass.PROPERTY, errorCode: ErrorCode.UNKNOWN_PROPERTY }
		if (index === ASN1_ARRAY_ALL) return all
		if (!arrays.includes(id)) return { errorClass: ErrorClass.PROPERTY, errorCode: ErrorCode.PROPERTY_IS_NOT_AN_ARRAY }
		if (index === 0) return [{ type: Tag.UNSIGNED_INTEGER, value: all.length }]
		return all[index - 1] ? [all[index - 1]] : { errorClass: ErrorClass.PROPERTY, errorCode: ErrorCode.INVALID_ARRAY_INDEX }
	}
	/** answer sends what say sends, or an error where that is too long for a datagram. */
	answer(m, say) {
		const sender = m.header.sender
		try { say(sender) } catch (e) {
			if (!(e instanceof RangeError)) throw e
			this.client.errorResponse(sender, m.service, m.invokeId, ErrorClass.SERVICES, ErrorCode.OTHER)
		}
	}
	single(m) {
		this.asked.single++
		const { objectId, property } = m.payload
		const got = this.values(objectId, property)
		this.answer(m, (to) => got.errorCode === undefined
			? this.client.readPropertyResponse(to, m.invokeId, objectId, property, got)
			: this.client.errorResponse(to, m.service, m.invokeId, got.errorClass, got.errorCode))
	}
	several(m) {
		this.asked.multiple++
		const all = m.payload.properties.map(({ objectId, properties }) => ({
			objectId,
			values: properties.map((property) => {
				const got = this.values(objectId, property)
				return { property, value: got.errorCode === undefined ? got : [{ value: { type: 'BacnetError', ...got } }] }
			}),
		}))
		this.answer(m, (to) => this.client.readPropertyMultipleResponse(to, m.invokeId, all))
	}
	/** multiple lets the device know ReadPropertyMultiple; the stack itself refuses what nobody handles. */
	multiple(known) {
		this.client.removeAllListeners('readPropertyMultiple')
		if (known) this.client.on('readPropertyMultiple', (m) => this.several(m))
	}
	write(m) {
		this.asked.write++
		const { objectId, value } = m.payload
		const thing = this.find(objectId)
		if (!thing?.commands || value.property.id !== P.PRESENT_VALUE) {
			this.client.errorResponse(m.header.sender, m.service, m.invokeId, ErrorClass.PROPERTY, ErrorCode.WRITE_ACCESS_DENIED)
			return
		}
		thing.commands[value.priority - 1] = value.value[0].value
		this.client.simpleAckResponse(m.header.sender, m.service, m.invokeId)
	}
	/** hear answers a Who-Is that came to the doorway. */
	hear({ header, payload: { lowLimit = 0, highLimit = Infinity } }) {
		if (this.instance < lowLimit || this.instance > highLimit) return
		this.client.iAmResponse(header.sender, this.instance, Segmentation.NO_SEGMENTATION, 999)
	}
}

const factors = { 53: 1, 54: 0.001, 58: 1 / 249.08891 } // pascals in Pa, kPa, in. of water (NIST SP 811)

/** A fan that holds a suction in a riser, with what it shows as objects. The loop
 * commands its speed at priority 16, so that a tool at 9 to 15 stands above it.
 * KEYs: setpoint (Pa), demand and swing (Pa, what the branches push against it),
 * period (s, of that), phase, closes (ratio, where the contact makes), pressure (the
 * unit's number). */
class Plant {
	with = { setpoint: -45, demand: 51, swing: 34, period: 18, phase: 0, closes: 0.6, pressure: 53 }
	mode = 'normal'
	speed = 0.6
	closed = false
	constructor(device, words) {
		this.device = device
		for (const word of words) {
			const [key, value] = word.split('=')
			if (!(key in this.with)) fail(`key ${key}`)
			this.with[key] = Number(value)
		}
		for (const [object, name, unit] of [
			['analog-input,1', 'Riser static pressure', this.with.pressure], ['analog-input,2', 'Motor power', 47],
			['analog-output,1', 'Fan speed command', 98], ['analog-value,1', 'Pressure setpoint', this.with.pressure],
			['analog-value,2', 'Minimum speed', 98], ['analog-value,3', 'Maximum speed', 98], ['analog-value,4', 'Run-on time', 73],
			['binary-input,1', 'High speed contact'], ['binary-input,2', 'Fan run proof'], ['binary-value,1', 'Fan enable'],
		]) {
			device.set(object, 'object-name', name)
			device.set(object, 'reliability', 0)
			device.set(object, unit ? 'units' : 'polarity', unit ?? 0)
		}
		device.set('analog-output,1', 'relinquish-default', 20)
		this.show('analog-value,1', this.with.setpoint * factors[this.with.pressure])
		this.show('analog-value,2', 20)
		this.show('analog-value,3', 100)
		this.show('analog-value,4', 90)
		this.show('binary-value,1', 1)
		for (let i = 0; i < 100; i++) this.step(0)
		setInterval(() => this.mode === 'still' || this.step(performance.now() / 1000), 50).unref()
	}
	show(object, value) { this.device.thing(object).values.set(P.PRESENT_VALUE, value) }

	/** step lets the loop turn once: pressure follows the square of speed (fan laws). */
	step(now) {
		const w = this.with
		const demand = { pinned: 225, idle: 60 }[this.mode] ?? w.demand + w.swing * Math.sin((2 * Math.PI * now) / w.period + w.phase)
		const output = this.device.thing('analog-output,1')
		const own = this.mode === 'idle' ? 0 : this.speed
		output.commands[15] = 100 * own
		const turns = output.present / 100
		const pressure = demand - 250 * turns * turns + 1.5 * (random() - 0.5)
		const seen = this.mode === 'inverted' ? -pressure : pressure
		this.speed = Math.min(1, Math.max(0.2, this.speed + 0.002 * (seen - w.setpoint)))
		this.closed = turns >= (this.closed ? w.closes - 0.05 : w.closes)
		this.show('analog-input,1', seen * factors[w.pressure])
		this.show('analog-input,2', 750 * turns ** 3)
		this.show('binary-input,1', Number(this.closed))
		this.show('binary-input,2', Number(turns > 0.05))
	}
}

const devices = new Map()
const plants = new Map()

async function obey([command, n, ...rest]) {
	if (command === 'lose') { lost = Number(n); return 'done' }
	if (command === 'device' || command === 'fan') {
		const device = new Device(Number(n), await open(0))
		while (devices.has(n)) n += "'"
		if (command === 'fan') plants.set(n, new Plant(device, rest))
		devices.set(n, device)
		return 'done'
	}
	const device = devices.get(n) ?? fail(`device ${n}`)
	switch (command) {
		case 'mode': plants.get(n).mode = rest[0]; break
		case 'set': device.set(rest[0], rest[1], rest.slice(2).join(' ')); break
		case 'flags': device.thing(rest[0]).flags = rest.slice(1).map((f) => StatusFlags[f.toUpperCase().replaceAll('-', '_')] ?? fail(f)); break
		case 'remove': device.things.delete(rest[0]); break
		case 'multiple': device.multiple(rest[0] === 'yes'); break
		case 'silent': device.wire.silent = rest[0] === 'yes'; break
		case 'asked': return 'asked ' + Object.entries(device.asked).flat().join(' ')
		default: fail(`command ${command}`)
	}
	return 'done'
}

async function main() {
	const door = await open(Number(process.argv[2] ?? 0))
	door.client.on('whoIs', (m) => { for (const device of devices.values()) device.hear(m) })
	console.log('listening', door.port)
	for await (const line of readline.createInterface({ input: process.stdin })) {
		console.log(await obey(line.trim().split(/\s+/)))
	}
	process.exit(0)
}

main()

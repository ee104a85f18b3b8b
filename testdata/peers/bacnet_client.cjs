#!/usr/bin/env node
/* A BACnet/IP client on @bacnet-js/client, driven by the test that starts it.

    NODE_PATH=.../node_modules node bacnet_client.cjs

It prints "listening PORT" once its socket is bound, and obeys one command a line
on standard input, with one line for an answer:

    who PORT                          "found 5 6 12:3=1203": who answers a Who-Is to that port of the loopback, and
                                      behind which network and address; from then on they are known by their numbers
    read N OBJECT PROPERTY [INDEX]    "read VALUE ..."; OBJECT as in "analog-input,3"
    many N OBJECT ...                 "many VALUE ...": all properties of the objects, as many as there are
    write N OBJECT PRIORITY VALUE     "written"; VALUE null relinquishes
    watch N OBJECT yes|no             "told VALUE", once a notification has come, confirmed or not

What is refused is answered by "refused" and what the stack says of it. */
'use strict'
const readline = require('node:readline')
const { default: Client, ApplicationTag: Tag, ObjectType, PropertyIdentifier } = require('@bacnet-js/client')
const Transport = require('@bacnet-js/client/dist/lib/transport').default

const loopback = '127.0.0.1'
const settle = 500 // ms in which devices answer a Who-Is

/** A socket at any free port: the stack takes port 0 for its default. */
class Wire extends Transport {
	open() { this._server.bind(0, loopback) }
}

const number = (names, name) => names[name.toUpperCase().replaceAll('-', '_')]

function parse(text) {
	const [type, instance] = text.split(',')
	return { type: number(ObjectType, type), instance: Number(instance) }
}

const show = (v) => (typeof v.value === 'object' && v.value !== null ? JSON.stringify(v.value.value ?? v.value) : String(v.value))

/** to is where a device stands, as its I-Am has told. */
function to(devices, n) {
	const { address, net, adr } = devices.get(Number(n))
	return net ? { address, net, adr } : { address }
}

const commands = {
	async who(client, devices, port) {
		client.whoIs({ address: `${loopback}:${port}`, net: 0xffff })
		await new Promise((ready) => setTimeout(ready, settle))
		const found = [...devices].sort(([a], [b]) => a - b)
		return ['found', ...found.map(([n, at]) => (at.net ? `${at.net}:${at.adr}=${n}` : n))].join(' ')
	},
	async read(client, devices, n, object, property, index) {
		const options = index === undefined ? {} : { arrayIndex: Number(index) }
		const got = await client.readProperty(to(devices, n), parse(object), number(PropertyIdentifier, property), options)
		return ['read', ...got.values.map(show)].join(' ')
	},
	async many(client, devices, n, ...objects) {
		const asked = objects.map((o) => ({ objectId: parse(o), properties: [{ id: PropertyIdentifier.ALL }] }))
		const got = await client.readPropertyMultiple(to(devices, n), asked)
		return `many ${got.values.map((o) => o.values.length).join(' ')}`
	},
	async write(client, devices, n, object, priority, value) {
		const v = value === 'null' ? { type: Tag.NULL, value: null } : { type: Tag.REAL, value: Number(value) }
		await client.writeProperty(to(devices, n), parse(object), PropertyIdentifier.PRESENT_VALUE, [v], { priority: Number(priority) })
		return 'written'
	},
	async watch(client, devices, n, object, confirmed) {
		const event = confirmed === 'yes' ? 'covNotify' : 'covNotifyUnconfirmed'
		const told = new Promise((ready) => client.once(event, ({ header, service, invokeId, payload }) => {
			if (confirmed === 'yes') client.simpleAckResponse(header.sender, service, invokeId)
			ready(payload.values.find((v) => v.property.id === PropertyIdentifier.PRESENT_VALUE).value[0])
		}))
		await client.subscribeCov(to(devices, n), parse(object), 7, false, confirmed === 'yes', 60)
		return `told ${show(await told)}`
	},
}

const wire = new Wire({ port: 0, interface: loopback, broadcastAddress: loopback, reuseAddr: false })
const client = new Client({ transport: wire, apduTimeout: 3000 })
client.on('error', (e) => { throw e })
const devices = new Map()
client.on('iAm', ({ header, payload }) => devices.set(payload.deviceId, header.sender))
wire.on('listening', async (at) => {
	console.log('listening', at.port)
	for await (const line of readline.createInterface({ input: process.stdin })) {
		const [command, ...args] = line.split(' ')
		console.log(await commands[command](client, devices, ...args).catch((e) => `refused ${e.message}`))
	}
	process.exit(0)
})

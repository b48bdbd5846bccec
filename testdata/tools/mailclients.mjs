// Reads {"name": "html", ...} from standard input and prints what mail clients do not support in it, by
// the data of caniemail.com: {"feature": {"none": [clients], "partial": [clients], "mails": [names]}, ...}.
// Clients are named as arguments: gmail.ios, outlook.windows …
import { caniemail } from 'caniemail'
import { readFileSync } from 'node:fs'

const clients = process.argv.slice(2)
const found = {}
for (const [name, html] of Object.entries(JSON.parse(readFileSync(0, 'utf8')))) {
	const { issues } = caniemail({ clients, html })
	for (const [support, list] of [['none', issues.errors], ['partial', issues.warnings]]) {
		for (const [client, all] of list) {
			for (const { title } of all) {
				const f = (found[title] ??= { none: new Set(), partial: new Set(), mails: new Set() })
				f[support].add(client)
				f.mails.add(name)
			}
		}
	}
}
console.log(JSON.stringify(found, (_, v) => (v instanceof Set ? [...v].sort() : v)))

/** Writes the JSON Schema that editors read; a test compares it with the schema in the code. */
import { writeFileSync } from 'node:fs'
import { jsonSchema } from './schema.ts'

const path = new URL('../config.schema.json', import.meta.url)
writeFileSync(path, `${JSON.stringify(jsonSchema(), null, 2)}\n`)

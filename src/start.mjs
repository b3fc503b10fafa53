/** The first thing that Node reads: the gate before anything that an older Node cannot parse. */
import './node-gate.mjs'
import { fileURLToPath } from 'node:url'

// not by name above: what an older Node lacks would end it before the gate
const { enableCompileCache, flushCompileCache } = await import('node:module')
// a start from compiled code takes half the time and 20 MB less; kept beside the packages, where whoever may write
// could change the code itself as well
enableCompileCache(fileURLToPath(new URL('../node_modules/.cache/daybind', import.meta.url)))
await import('./main.ts')
flushCompileCache()

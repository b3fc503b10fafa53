/** The first thing that Node reads: the gate before anything that an older Node cannot parse. */
import './node-gate.mjs'

await import('./main.ts')

/**
 * What one resource costs at the door before anything is looked up: scan, parse, structure, invariants, references, by
 * the service's own functions in this process. Beside it JSON.parse of the same bytes.
 */
import type { Bundle } from 'fhir/r4.js'
import { checkResource } from '../../src/adapters/fhir/door/check-resource.ts'
import { parseJson } from '../../src/adapters/fhir/door/parse-json.ts'
import { inTurns, median } from './load.ts'
import { orderText } from './order-message.ts'
import { against, type Line } from './report.ts'
import type { World } from './world.ts'

const rounds = 9

/** Calls between two looks at the clock. */
const batch = 200

/** Microseconds of CPU that a resource may take. */
const most = 100

/** @throws when the resource is refused: a refusal costs something else */
const check = (bytes: Buffer): void => {
  const parsed = parseJson(bytes)
  const problems = parsed.ok ? checkResource(parsed.value) : parsed.problems
  if (problems.length > 0) throw new Error(`The door refuses the bench's own: ${JSON.stringify(problems)}`)
}

const parse = (bytes: Buffer): unknown => JSON.parse(bytes.toString())

/** Microseconds of CPU a call, those of collecting garbage too: others on the machine change it least. */
const timed = (seconds: number, once: () => unknown): number => {
  const until = performance.now() + seconds * 1000
  const before = process.cpuUsage()
  let calls = 0
  while (performance.now() < until) {
    for (let i = 0; i < batch; i += 1) once()
    calls += batch
  }
  const { user, system } = process.cpuUsage(before)
  return (user + system) / calls
}

const lineOf = async (type: string, bytes: Buffer, seconds: number): Promise<Line> => {
  const ours = async () => timed(seconds / rounds, () => check(bytes))
  const floor = async () => timed(seconds / rounds, () => parse(bytes))
  // code warm on both sides
  timed(Math.min(2, seconds), () => check(bytes))
  timed(Math.min(2, seconds), () => parse(bytes))
  const [own = [], plain = []] = await inTurns(rounds, [ours, floor])
  const name = `the door’s check of one ${type}, CPU`
  const line = against(name, 'µs', median(own), median(plain), 'JSON.parse of the same bytes')
  return { ...line, target: { text: `≤ ${most} µs`, holds: line.ours <= most } }
}

export const measureDoor = async (w: World): Promise<readonly Line[]> => {
  w.say('the door')
  const { entry = [] } = JSON.parse(orderText('2031-01-13')('T0000001')) as Bundle
  const lines: Line[] = []
  for (const { resource } of entry)
    if (resource)
      lines.push(await lineOf(resource.resourceType, Buffer.from(JSON.stringify(resource)), w.scale.seconds))
  return lines
}

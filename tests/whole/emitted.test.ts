/** Everything that the service says in FHIR on the demo's day and just after it: the HAPI validator finds no error. */
import type { CapabilityStatement, FhirResource } from 'fhir/r4.js'
import { afterAll, beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { calendarFrom } from '../../demo-data/calendar.ts'
import { playTimetable } from '../../demo-data/play.ts'
import { setScene } from '../../demo-data/scene.ts'
import { type Stage, setStage } from '../../demo-data/stage.ts'
import { committed } from '../../profiles/build.ts'
import { errorsOf, noValidator, validate } from '../support/validator.ts'
import { askForAll, keeping, storedTypes } from './emitted.ts'
import { profileOf, resourcesIn, type Said, toValidate } from './emitted-files.ts'

/** No call makes these yet. */
const notMade: readonly string[] = ['clock-observation', 'symptom-observation']

const profiles = [...committed().package.values()]
  .map((text) => JSON.parse(text) as FhirResource)
  .flatMap((d) => (d.resourceType === 'StructureDefinition' && d.type !== 'Extension' ? [d.id ?? ''] : []))

describe('what is said in FHIR on the demo’s day', () => {
  const said: Said[] = []
  let stage: Stage | undefined
  let metadata: CapabilityStatement | undefined

  beforeAll(async () => {
    if (noValidator !== undefined) return
    const calendar = calendarFrom(Date.now())
    if ('mistake' in calendar) throw new Error(calendar.mistake)
    stage = await setStage(0)
    const scene = setScene(stage, calendar)
    const heard = { ...scene, call: keeping(scene.call, said) }
    const { wrong } = await playTimetable(heard, () => undefined, 0, new AbortController().signal)
    expect(wrong).toEqual([])
    metadata = await askForAll(scene, said)
  })
  afterAll(() => stage?.close(false))
  beforeEach((context) => {
    if (noValidator !== undefined) context.skip(noValidator)
  })

  const all = (): readonly FhirResource[] => said.flatMap(({ text }) => resourcesIn(JSON.parse(text) as FhirResource))

  it('is of every type that is stored, and of every profile', () => {
    const types = new Set<string>(all().map((r) => r.resourceType))
    expect(metadata && storedTypes(metadata).filter((type) => !types.has(type))).toEqual([])
    const judged = new Set(all().map(profileOf))
    expect(profiles.filter((p) => !judged.has(p)).toSorted()).toEqual(notMade)
  })

  it('has no error', async () => {
    const files = toValidate(said)
    expect(files.length).toBeGreaterThan(400)
    expect(errorsOf(await validate(files))).toEqual([])
  })
})

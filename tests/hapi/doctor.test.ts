/** The doctor at a FHIR server that we did not write: HAPI FHIR (JPA server, R4). */
import type { Bundle } from 'fhir/r4.js'
import { describe, expect, it } from 'vitest'
import { examine, mustMend } from '../../src/doctor/doctor.ts'
import type { Examined } from '../../src/doctor/examined.ts'
import { hapiServer } from '../support/hapi.ts'

const shared = await hapiServer()
const hapi = 'base' in shared ? shared.base : undefined
const about = 'the doctor at a HAPI FHIR server'
if (hapi === undefined) it(about, (ctx) => ctx.skip('lacks' in shared ? shared.lacks : ''))

if (hapi !== undefined)
  describe(about, () => {
    const source: Examined = {
      id: 'harbour-ehr',
      kind: 'source',
      base: hapi,
      scope: 'system/*.read',
      publicUrl: 'http://127.0.0.1:8090',
      written: true,
      poll: 'PT30S',
      subscribe: 'rest-hook',
    }
    const codes = async (over: Partial<Examined>, write = false) =>
      (await examine({ ...source, ...over }, { write })).map((f) => f.code)

    it.each([
      ['a source', {}],
      ['a reading service', { kind: 'reading service' as const }],
    ])('finds nothing to mend at %s, writes there, and takes it back', async (_, over) => {
      const found = await examine({ ...source, ...over }, { write: true })
      expect(found.filter((f) => f.level === 'mend').map((f) => `${f.code}: ${f.says}`)).toEqual([])
      expect(mustMend(found)).toBe(false)
      expect(found.map((f) => f.code)).toEqual(expect.arrayContaining(['write-honoured', 'write-taken-back']))
      const left = await fetch(`${hapi}/Device?identifier=${encodeURIComponent('https://daybind.example/doctor|')}`, {
        headers: { 'cache-control': 'no-cache' },
      })
      expect(((await left.json()) as Bundle).entry ?? []).toEqual([])
    })

    it('writes nothing when it is told so', async () => {
      expect(await codes({})).toContain('write-skipped')
    })

    const { port, origin } = new URL(hapi)
    it.each([
      ['a path where no FHIR is', { base: `${origin}/elsewhere` }, 'metadata-absent'],
      ['a port where nobody listens', { base: 'http://127.0.0.1:2/fhir' }, 'connection-refused'],
      ['https where there is none', { base: `https://127.0.0.1:${port}/fhir` }, 'tls-none-there'],
      ['a name that nobody knows', { base: 'http://nobody.invalid/fhir' }, 'name-unknown'],
    ] as const)('tells of %s', async (_, over, code) => {
      const found = await examine({ ...source, ...over }, { write: false })
      expect(found.filter((f) => f.level === 'mend').map((f) => f.code)).toContain(code)
      expect(mustMend(found)).toBe(true)
    })
  })

/**
 * What the day was built to contain, counted by hand from the timetable and by the contract's rules; nothing here is
 * computed by the code that it is held against. Anything else is a failure, a gap too many as much as one too few.
 */
import type { GapCode } from '../src/model/states.ts'
import type { SiteId } from './people.ts'

export interface ExpectedCount {
  readonly initial: number
  readonly denominator: number
  readonly numerator: number
}

export interface ExpectedGap {
  readonly gap: GapCode
  /** Placer number. */
  readonly order?: string
  /** Serial number. */
  readonly recorder?: string
  readonly status: 'open' | 'mended'
}

export interface ExpectedEvening {
  readonly linked: ExpectedCount
  readonly taken: ExpectedCount
  readonly gaps: readonly ExpectedGap[]
}

const count = (initial: number, denominator: number, numerator: number): ExpectedCount => ({
  initial,
  denominator,
  numerator,
})

const neverLinked: ExpectedGap = { gap: 'no-link', recorder: 'TR-30109', status: 'open' }

const harbourAllDay: readonly ExpectedGap[] = [
  neverLinked,
  { gap: 'return-without-patient', recorder: 'TR-29987', status: 'open' },
  { gap: 'revoked-while-worn', order: 'H-1007', recorder: 'TR-30107', status: 'open' },
  { gap: 'clock-doubt', order: 'H-1013', recorder: 'TR-30113', status: 'open' },
]

const expiredDevice: ExpectedGap = { gap: 'expired-device', order: 'L-2004', recorder: 'QR-60104', status: 'open' }

export const expectedEvenings: Readonly<Record<SiteId, Readonly<Record<'cut-off' | 'day-end', ExpectedEvening>>>> = {
  'tern-harbour': {
    'cut-off': {
      // 14 links by then, one of them the swap, and two recorders that were seen and not linked
      linked: count(16, 16, 14),
      // the two links after 14:00 have their four hours still
      taken: count(14, 12, 12),
      gaps: [...harbourAllDay, { gap: 'no-link', recorder: 'TR-30111', status: 'open' }],
    },
    'day-end': {
      // one more after the cut-off, in time until midnight; TR-30111 is linked by now, too late
      linked: count(17, 17, 15),
      taken: count(16, 16, 16),
      gaps: [
        ...harbourAllDay,
        { gap: 'no-link', order: 'H-1011', recorder: 'TR-30111', status: 'mended' },
        { gap: 'late-link', order: 'H-1011', recorder: 'TR-30111', status: 'open' },
        // Fenna Ebbingham's order: TR-30109 is the other half of the same slip, and nobody may guess that
        { gap: 'no-application', order: 'H-1009', status: 'open' },
      ],
    },
  },
  'quarry-lane': {
    'cut-off': {
      linked: count(11, 11, 11),
      // the two links after 13:30 have their four hours still
      taken: count(11, 9, 9),
      gaps: [expiredDevice],
    },
    'day-end': {
      linked: count(11, 11, 11),
      taken: count(11, 11, 11),
      gaps: [expiredDevice, { gap: 'no-application', order: 'L-2009', status: 'open' }],
    },
  },
}

/** Tern Harbour's day as of the next morning: TR-30109 is linked too by then, nineteen hours late. */
export const expectedNextMorning: ExpectedEvening = {
  linked: count(17, 17, 15),
  // the newest link has its four hours still
  taken: count(17, 16, 16),
  gaps: [
    { gap: 'no-link', order: 'H-1009', recorder: 'TR-30109', status: 'mended' },
    { gap: 'return-without-patient', recorder: 'TR-29987', status: 'open' },
    { gap: 'revoked-while-worn', order: 'H-1007', recorder: 'TR-30107', status: 'open' },
    { gap: 'clock-doubt', order: 'H-1013', recorder: 'TR-30113', status: 'open' },
    { gap: 'no-link', order: 'H-1011', recorder: 'TR-30111', status: 'mended' },
    { gap: 'late-link', order: 'H-1011', recorder: 'TR-30111', status: 'open' },
    { gap: 'late-link', order: 'H-1009', recorder: 'TR-30109', status: 'open' },
    { gap: 'no-application', order: 'H-1009', status: 'mended' },
  ],
}

/** Stored besides: mended in time because of the alert, so that no report of the evening speaks of it. */
export const mendedInTime: readonly ExpectedGap[] = [{ gap: 'no-link', recorder: 'TR-30115', status: 'mended' }]

/** In the service: a week before and on the day. */
export const expectedStore = {
  /** 5 of the week before, 16 and 15 of the day; neither the repeated nor the revised one is another. */
  orders: 36,
  patients: 36,
  /** 5 of the week before, 16 at Tern Harbour (one a swap), 11 at Quarry Lane, one the next morning. */
  links: 33,
  reports: 4,
}

/** At the reading service. */
export const expectedAtReader = {
  /** Orders with at least one link: the swap makes a second link of one order. */
  orders: 32,
  patients: 32,
  links: 33,
  tasks: 33,
  /** Linked while it was down: two at Tern Harbour, three at Quarry Lane. */
  waited: 5,
  cancelled: ['H-1007'],
  urgent: ['H-1005'],
  /** Registered, without a value: of the four recorders that came back and were linked. */
  stubs: 4,
}

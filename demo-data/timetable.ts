/** The invented day, hour by hour. What it must leave behind stands in `expected.ts`. */
import type { Deed, Happening, Linking, Place } from './deeds.ts'

const at =
  (on: Happening['on'], place: Place) =>
  (time: string, tells: string, deed: Deed): Happening => ({ on, at: time, place, tells, deed })

/** A plain link: nothing goes wrong. */
const link = (order: string, recorder: string, how: Linking['how'], more: Partial<Linking> = {}): Linking => ({
  do: 'link',
  order,
  recorder,
  how,
  ...more,
})

const harbourBefore = at('week-before', 'tern-harbour')
const quarryBefore = at('week-before', 'quarry-lane')
const harbour = at('day', 'tern-harbour')
const quarry = at('day', 'quarry-lane')
const pebble = at('day', 'pebble')

const weekBefore: readonly Happening[] = [
  harbourBefore('08:00', 'The clinic’s record system (harbour-ehr) sends three orders.', {
    do: 'send-list',
    source: 'harbour-ehr',
    of: 'week-before',
    as: 'transaction',
  }),
  harbourBefore('09:10', 'Orla Rushbarrow gets recorder TR-30011.', link('H-0901', 'TR-30011', 'data-matrix')),
  harbourBefore('09:40', 'Piran Umberley gets recorder TR-30012.', link('H-0902', 'TR-30012', 'human-readable')),
  harbourBefore('10:20', 'Senna Gorsefield gets recorder TR-30013.', link('H-0903', 'TR-30013', 'data-matrix')),
  at('week-before', 'pebble')('11:30', 'The reading service accepts what it was sent.', { do: 'accept-work' }),
  quarryBefore('08:00', 'Lowwater Health (lowwater-ehr) sends two orders.', {
    do: 'send-list',
    source: 'lowwater-ehr',
    of: 'week-before',
    as: 'batch',
  }),
  quarryBefore('09:15', 'Corvin Jessamoor gets recorder QR-60021.', link('L-1901', 'QR-60021', 'data-matrix')),
  quarryBefore('09:45', 'Tamsin Oxbourne gets recorder QR-60022.', link('L-1902', 'QR-60022', 'data-matrix')),
  at('week-before', 'quarry-lane')('11:00', 'The reading service accepts these two as well.', { do: 'accept-work' }),
]

const harbourMorning: readonly Happening[] = [
  harbour('07:00', 'The day’s list arrives from harbour-ehr: sixteen orders in one message.', {
    do: 'send-list',
    source: 'harbour-ehr',
    of: 'day',
    as: 'transaction',
  }),
  harbour('08:05', 'The interface restarts and sends Ailish Corrindale’s order a second time.', {
    do: 'send-again',
    order: 'H-1003',
  }),
  harbour(
    '08:40',
    'Nurse Quillmere scans the recorder, asks Maeve Kelpwright for her date of birth, and links the two.',
    link('H-1001', 'TR-30101', 'data-matrix'),
  ),
  harbour(
    '08:55',
    'Bram Thistledown, says the wristband; the date of birth that was keyed in is another.',
    link('H-1002', 'TR-30102', 'data-matrix', {
      birthDate: '1946-08-07',
      refused: ['identifier-disagrees'],
    }),
  ),
  harbour(
    '08:57',
    'Day and month were exchanged. Asked again, keyed in again.',
    link('H-1002', 'TR-30102', 'data-matrix'),
  ),
  harbour('09:10', 'Ailish Corrindale gets recorder TR-30103.', link('H-1003', 'TR-30103', 'bytes')),
  harbour(
    '09:20',
    'For Ruan Aldermoss the barcode of the box is scanned: it has no serial number.',
    link('H-1004', 'TR-30104', 'box-without-serial', { refused: ['no-serial'] }),
  ),
  harbour('09:21', 'The label on the recorder itself has one.', link('H-1004', 'TR-30104', 'data-matrix')),
  harbour('09:35', 'Dervla Hollinbeck gets recorder TR-30105.', link('H-1005', 'TR-30105', 'data-matrix')),
  harbour('09:40', 'Post: Orla Rushbarrow’s recorder is back, with a note of when it came off.', {
    do: 'return',
    recorder: 'TR-30011',
    how: 'data-matrix',
    wornUntil: '21:30',
  }),
  harbour('09:42', 'Piran Umberley’s recorder is back, without a note.', {
    do: 'return',
    recorder: 'TR-30012',
    how: 'human-readable',
  }),
  harbour('09:45', 'A third envelope: recorder TR-29987, no name, and no link that it belongs to.', {
    do: 'return',
    recorder: 'TR-29987',
    how: 'data-matrix',
    unknown: true,
  }),
  harbour('10:05', 'Jory Millhaven gets recorder TR-30106.', link('H-1006', 'TR-30106', 'data-matrix')),
  harbour('10:20', 'Una Brackwater gets recorder TR-30107.', link('H-1007', 'TR-30107', 'data-matrix')),
  harbour('10:40', 'The cardiologist makes Dervla Hollinbeck’s order urgent while she is wearing her recorder.', {
    do: 'make-urgent',
    order: 'H-1005',
  }),
  pebble('10:48', 'Bad luck to come: the line will break just after the next order is stored here.', {
    do: 'lose-next-answer',
  }),
  harbour('10:50', 'Colm Nettlecombe gets recorder TR-30110.', link('H-1010', 'TR-30110', 'data-matrix')),
  harbour('11:05', 'Kit Larkenshaw did not come; Nurse Quillmere says so.', {
    do: 'record-not-applied',
    order: 'H-1008',
    reason: 'no-show',
  }),
  harbour(
    '11:40',
    'Recorder TR-30109 is switched on for Fenna Ebbingham. The nurse is called away before linking it.',
    {
      do: 'see-applied',
      recorder: 'TR-30109',
      how: 'data-matrix',
    },
  ),
]

const harbourAfternoon: readonly Happening[] = [
  harbour(
    '12:10',
    'Perran Inchbourne’s recorder, with a borrowed scanner: it drops the separator between lot and serial number.',
    link('H-1012', 'TR-30112', 'lost-separator', { refused: ['no-serial', 'lost-separator'] }),
  ),
  harbour('12:12', 'With the clinic’s own scanner it reads well.', link('H-1012', 'TR-30112', 'data-matrix')),
  harbour(
    '12:30',
    'Nola Wickersea gets recorder TR-30113. Its display shows half past midnight instead of half past noon.',
    link('H-1013', 'TR-30113', 'data-matrix', { clockAhead: 12, warned: ['clock-doubt'] }),
  ),
  harbour('13:10', 'Jory Millhaven’s skin is irritated: recorder TR-30106 comes off at 13:08 …', {
    do: 'end-link',
    recorder: 'TR-30106',
    at: '13:08',
    reason: 'replaced',
  }),
  harbour(
    '13:12',
    '… and TR-30116, with other electrodes, goes on in the same minute.',
    link('H-1006', 'TR-30116', 'data-matrix', { on: '13:08' }),
  ),
  harbour(
    '13:30',
    'Teague Yarrowby gets recorder TR-30114. The network is slow, and the tablet sends the link twice.',
    link('H-1014', 'TR-30114', 'data-matrix', { twice: true }),
  ),
  harbour('14:20', 'harbour-ehr revokes Una Brackwater’s order. She went home with recorder TR-30107 on.', {
    do: 'revoke',
    order: 'H-1007',
  }),
  harbour('15:05', 'Recorder TR-30115 is switched on for Brona Farrowick; the tablet’s battery is empty.', {
    do: 'see-applied',
    recorder: 'TR-30115',
    how: 'data-matrix',
  }),
  harbour(
    '15:20',
    'Mercy Quillandale, ordered by Lowwater Health, gets QR-60115 here.',
    link('L-2015', 'QR-60115', 'data-matrix'),
  ),
  harbour('16:30', 'Ninety minutes before the cut-off the front desk’s pager is told what is open.', {
    do: 'alert',
    to: 'front-desk',
    gaps: [
      'no-link TR-30109',
      'no-link TR-30115',
      'return-without-patient TR-29987',
      'revoked-while-worn H-1007 TR-30107',
      'clock-doubt H-1013 TR-30113',
    ],
  }),
  harbour(
    '16:38',
    'Brona Farrowick is still in the waiting room: TR-30115 is linked, in time, because of the alert.',
    link('H-1015', 'TR-30115', 'data-matrix', { on: '15:05' }),
  ),
  harbour('16:50', 'Recorder TR-30111 is switched on for Isolde Dunnefold, who is then taken to another ward.', {
    do: 'see-applied',
    recorder: 'TR-30111',
    how: 'data-matrix',
  }),
  harbour('18:00', 'Cut-off. The evening report is issued by itself.', { do: 'evening', moment: 'cut-off' }),
  harbour('18:00', 'And the lead is told what can no longer be in time. Nobody is told twice of the same.', {
    do: 'alert',
    to: 'lead',
    gaps: [
      'no-link TR-30109',
      'no-link TR-30111',
      'return-without-patient TR-29987',
      'revoked-while-worn H-1007 TR-30107',
      'clock-doubt H-1013 TR-30113',
    ],
  }),
  harbour(
    '18:20',
    'Ewan Zennickson came after the cut-off; his recorder, on at 18:15, has until midnight to be linked, and is.',
    link('H-1016', 'TR-30120', 'data-matrix', { on: '18:15' }),
  ),
  harbour(
    '18:40',
    'The report named TR-30111: Nurse Quillmere walks over to Isolde Dunnefold and links it, late.',
    link('H-1011', 'TR-30111', 'data-matrix', { on: '16:50' }),
  ),
  harbour('24:00', 'The day is over, and the report is issued once more.', { do: 'evening', moment: 'day-end' }),
]

const nextMorning = at('day-after', 'tern-harbour')
const harbourNextMorning: readonly Happening[] = [
  nextMorning(
    '08:20',
    'Fenna Ebbingham calls about the recorder that she went home with: its number is TR-30109. Linked, a day late.',
    link('H-1009', 'TR-30109', 'data-matrix', { on: '11:40', yesterday: true }),
  ),
  nextMorning('08:30', 'Yesterday’s report, as of its cut-off and as of now:', { do: 'compare-evening' }),
]

const quarryDay: readonly Happening[] = [
  quarry('06:45', 'Lowwater Health sends fifteen orders; one of them is for a visit at Tern Harbour.', {
    do: 'send-list',
    source: 'lowwater-ehr',
    of: 'day',
    as: 'batch',
  }),
  quarry(
    '08:10',
    'Hester Palewater’s recorder has two barcodes: Nurse Vetchling scans both.',
    link('L-2001', 'QR-60101', 'two-barcodes'),
  ),
  quarry('08:20', 'Amos Tideholm’s order is withdrawn before he comes: nothing to do, nothing missing.', {
    do: 'revoke',
    order: 'L-2014',
  }),
  quarry(
    '08:30',
    'Lowell Stonebrook’s recorder has a web address in its code.',
    link('L-2002', 'QR-60102', 'digital-link'),
  ),
  quarry(
    '08:45',
    'The scanner is flat; Junia Marshgate’s recorder is typed in by hand.',
    link('L-2003', 'QR-60103', 'typed'),
  ),
  quarry('09:00', 'Enoch Barleycroft gets recorder QR-60110.', link('L-2010', 'QR-60110', 'data-matrix')),
  quarry('09:20', 'Post: Corvin Jessamoor’s recorder is back.', {
    do: 'return',
    recorder: 'QR-60021',
    how: 'data-matrix',
    wornUntil: '08:00',
  }),
  quarry(
    '09:30',
    'Abner Copperfold gets recorder QR-60104, which expired forty days ago.',
    link('L-2004', 'QR-60104', 'data-matrix', { expired: true, warned: ['expired-device'] }),
  ),
  quarry('10:50', 'Orrin Lanternby gets recorder QR-60106.', link('L-2006', 'QR-60106', 'data-matrix')),
  quarry('11:10', 'Thea Hazelrigge gets recorder QR-60107.', link('L-2007', 'QR-60107', 'data-matrix')),
  quarry('11:30', 'Silas Cobblewick gets recorder QR-60108.', link('L-2008', 'QR-60108', 'data-matrix')),
  quarry('13:00', 'Dinah Slatehurst gets recorder QR-60111.', link('L-2011', 'QR-60111', 'data-matrix')),
  quarry('13:10', 'Cleo Windermarsh calls: she will come a week later.', {
    do: 'record-not-applied',
    order: 'L-2005',
    reason: 'rescheduled',
  }),
  quarry('14:00', 'Rufus Applecote gets recorder QR-60112.', link('L-2012', 'QR-60112', 'data-matrix')),
  quarry('15:00', 'Ione Greyfallow gets recorder QR-60113.', link('L-2013', 'QR-60113', 'data-matrix')),
  quarry('16:30', 'The reading service accepts the afternoon’s orders.', { do: 'accept-work' }),
  quarry('17:30', 'Cut-off. The evening report is issued by itself.', { do: 'evening', moment: 'cut-off' }),
  quarry('24:00', 'The day is over. About Willa Ferrymead’s visit nobody recorded anything.', {
    do: 'evening',
    moment: 'day-end',
  }),
]

const pebbleDay: readonly Happening[] = [
  pebble('10:00', 'The reading service accepts the orders of the morning.', { do: 'accept-work' }),
  pebble('10:10', 'Senna Gorsefield posted her recorder straight to the reading service.', {
    do: 'return',
    recorder: 'TR-30013',
    how: 'data-matrix',
    wornUntil: '20:15',
  }),
  pebble('12:00', 'Accepts more orders.', { do: 'accept-work' }),
  pebble('13:45', 'Accepts more orders.', { do: 'accept-work' }),
  pebble('14:35', 'Accepts more orders.', { do: 'accept-work' }),
  pebble('14:45', 'Maintenance: the reading service is down. The clinics notice nothing; linked orders wait.', {
    do: 'go-down',
  }),
  pebble('16:45', 'The reading service is back, and what has waited arrives.', { do: 'come-back' }),
  pebble('16:55', 'It accepts what has arrived.', { do: 'accept-work' }),
  pebble('19:00', 'Accepts the last orders from Tern Harbour.', { do: 'accept-work' }),
]

export const timetable: readonly Happening[] = [
  ...weekBefore,
  ...harbourMorning,
  ...harbourAfternoon,
  ...harbourNextMorning,
  ...quarryDay,
  ...pebbleDay,
]

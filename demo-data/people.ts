/** The invented people and their orders: one order a person. Any likeness to a living person is chance. */
import type { Patient } from 'fhir/r4.js'

export type SourceId = 'harbour-ehr' | 'lowwater-ehr'
export type SiteId = 'tern-harbour' | 'quarry-lane'

export interface Ordered {
  readonly source: SourceId
  readonly site: SiteId
  /** Placer number. */
  readonly order: string
  /** Medical record number. */
  readonly record: string
  readonly given: string
  readonly family: string
  readonly birthDate: string
  readonly gender: NonNullable<Patient['gender']>
}

/** Identifier systems of each source. */
export const sourceSystems = {
  'harbour-ehr': { orders: 'https://harbour.example/orders', patients: 'https://harbour.example/patients' },
  'lowwater-ehr': { orders: 'https://lowwater.example/orders', patients: 'https://lowwater.example/patients' },
} as const satisfies Readonly<Record<SourceId, { readonly orders: string; readonly patients: string }>>

type Row = readonly [
  order: string,
  record: string,
  given: string,
  family: string,
  birthDate: string,
  gender: Ordered['gender'],
]

const from = (source: SourceId, site: SiteId, rows: readonly Row[]): readonly Ordered[] =>
  rows.map(([order, record, given, family, birthDate, gender]) => ({
    source,
    site,
    order,
    record,
    given,
    family,
    birthDate,
    gender,
  }))

/** Fitted a week before the day; four of these five recorders come back on the day. */
export const ofTheWeekBefore: readonly Ordered[] = [
  ...from('harbour-ehr', 'tern-harbour', [
    ['H-0901', '40118', 'Orla', 'Rushbarrow', '1949-11-02', 'female'],
    ['H-0902', '40126', 'Piran', 'Umberley', '1963-05-27', 'male'],
    ['H-0903', '40131', 'Senna', 'Gorsefield', '1988-01-19', 'female'],
  ]),
  ...from('lowwater-ehr', 'quarry-lane', [
    ['L-1901', 'LW-7702', 'Corvin', 'Jessamoor', '1955-08-30', 'male'],
    ['L-1902', 'LW-7719', 'Tamsin', 'Oxbourne', '1971-12-08', 'female'],
  ]),
]

/** The visits of the day. */
export const ofTheDay: readonly Ordered[] = [
  ...from('harbour-ehr', 'tern-harbour', [
    ['H-1001', '41007', 'Maeve', 'Kelpwright', '1957-03-14', 'female'],
    ['H-1002', '41019', 'Bram', 'Thistledown', '1946-07-08', 'male'],
    ['H-1003', '41023', 'Ailish', 'Corrindale', '1990-10-21', 'female'],
    ['H-1004', '41038', 'Ruan', 'Aldermoss', '1972-02-29', 'male'],
    ['H-1005', '41042', 'Dervla', 'Hollinbeck', '1961-06-17', 'female'],
    ['H-1006', '41055', 'Jory', 'Millhaven', '1983-09-05', 'male'],
    ['H-1007', '41061', 'Una', 'Brackwater', '1952-12-30', 'female'],
    ['H-1008', '41074', 'Kit', 'Larkenshaw', '1995-04-11', 'other'],
    ['H-1009', '41080', 'Fenna', 'Ebbingham', '1968-08-23', 'female'],
    ['H-1010', '41096', 'Colm', 'Nettlecombe', '1944-01-06', 'male'],
    ['H-1011', '41102', 'Isolde', 'Dunnefold', '1979-05-15', 'female'],
    ['H-1012', '41117', 'Perran', 'Inchbourne', '1966-03-03', 'male'],
    ['H-1013', '41125', 'Nola', 'Wickersea', '1938-11-19', 'female'],
    ['H-1014', '41133', 'Teague', 'Yarrowby', '1959-09-28', 'male'],
    ['H-1015', '41148', 'Brona', 'Farrowick', '1987-07-01', 'female'],
    ['H-1016', '41159', 'Ewan', 'Zennickson', '1975-02-12', 'male'],
  ]),
  ...from('lowwater-ehr', 'quarry-lane', [
    ['L-2001', 'LW-8001', 'Hester', 'Palewater', '1950-06-06', 'female'],
    ['L-2002', 'LW-8013', 'Lowell', 'Stonebrook', '1964-10-10', 'male'],
    ['L-2003', 'LW-8024', 'Junia', 'Marshgate', '1992-03-25', 'female'],
    ['L-2004', 'LW-8037', 'Abner', 'Copperfold', '1947-01-31', 'male'],
    ['L-2005', 'LW-8042', 'Cleo', 'Windermarsh', '1981-05-09', 'female'],
    ['L-2006', 'LW-8056', 'Orrin', 'Lanternby', '1969-11-11', 'male'],
    ['L-2007', 'LW-8068', 'Thea', 'Hazelrigge', '1977-04-04', 'female'],
    ['L-2008', 'LW-8071', 'Silas', 'Cobblewick', '1953-08-18', 'male'],
    ['L-2009', 'LW-8085', 'Willa', 'Ferrymead', '1986-12-02', 'female'],
    ['L-2010', 'LW-8099', 'Enoch', 'Barleycroft', '1941-02-20', 'male'],
    ['L-2011', 'LW-8104', 'Dinah', 'Slatehurst', '1973-07-27', 'female'],
    ['L-2012', 'LW-8116', 'Rufus', 'Applecote', '1960-09-13', 'male'],
    ['L-2013', 'LW-8122', 'Ione', 'Greyfallow', '1998-01-08', 'female'],
    ['L-2014', 'LW-8139', 'Amos', 'Tideholm', '1956-10-29', 'male'],
  ]),
  // sent by Lowwater Health, seen at Tern Harbour
  ...from('lowwater-ehr', 'tern-harbour', [['L-2015', 'LW-8143', 'Mercy', 'Quillandale', '1965-03-31', 'female']]),
]

const byOrder = new Map([...ofTheWeekBefore, ...ofTheDay].map((o) => [o.order, o]))

/** @throws when the timetable names an order that nobody has */
export const personOf = (order: string): Ordered => {
  const person = byOrder.get(order)
  if (person === undefined) throw new Error(`the timetable names ${order}, which is nobody's order`)
  return person
}

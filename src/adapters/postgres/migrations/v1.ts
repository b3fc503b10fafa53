/**
 * Version 1. Journal and inbound are append-only; the tables of states follow from the journal; resources are what the
 * world reads, made from the states in the same transaction.
 */
export const v1 = `
create extension if not exists btree_gist;
set local search_path = daybind, public;

-- The clock of the flow: real time plus an offset that only the demo and the tests set; never runs backwards,
-- and never stamps a moment up to which a report was issued.
create table clock (
  one boolean primary key default true check (one),
  offset_by interval not null default '0',
  reported timestamptz not null default '-infinity'
);
insert into clock default values;

-- Each message as it came.
create table inbound (
  id bigint generated always as identity primary key,
  received_at timestamptz not null,
  caller text not null,
  route text not null,
  request_id text not null,
  body text not null
);

create table journal (
  seq bigint generated always as identity primary key,
  recorded_at timestamptz not null,
  occurred_at timestamptz not null,
  step text not null,
  fact text not null,
  kind text not null,
  id uuid not null,
  order_id uuid,
  device_id uuid,
  site text,
  day date,
  who text not null,
  request_id text not null,
  inbound bigint, -- of the row above; no constraint, since both are only ever appended in one statement
  state json not null
);
create index journal_by_subject on journal (kind, id, seq desc);
create index journal_by_order on journal (order_id) where order_id is not null;
create index journal_by_device on journal (device_id) where device_id is not null;
create index journal_by_day on journal (site, day) where day is not null;
create index journal_without_site on journal (occurred_at) where site is null and kind = 'return';

-- Names under which a source knows a resource. A placer number is one order's alone; other names may be shared, as the
-- policy number of a family is, and then tell nobody.
create table identities (
  owner text not null,
  type text not null,
  system text not null,
  value text not null,
  id uuid not null,
  -- the value first: a caller may know a number and not whose it is
  primary key (type, value, system, owner, id)
);
create unique index one_order_a_name on identities (owner, system, value) where type = 'ServiceRequest';

create table orders (
  id uuid primary key,
  site text not null,
  visit_day date,
  state json not null
);
create index orders_by_visit on orders (site, visit_day) where visit_day is not null;

create table patients (id uuid primary key, state json not null);
create table kept (id uuid primary key, order_id uuid, state json not null);

create table devices (
  id uuid primary key,
  device_identifier text not null,
  serial_number text not null,
  state json not null,
  unique (serial_number, device_identifier)
);

create table links (
  id uuid primary key,
  order_id uuid not null,
  device_id uuid not null,
  site text not null,
  day date not null,
  active boolean not null,
  period tstzrange not null,
  state json not null,
  -- The backstop behind the locks.
  constraint one_patient_at_a_time exclude using gist (device_id with =, period with &&) where (active),
  constraint one_device_at_a_time exclude using gist (order_id with =, period with &&) where (active)
);
create index links_by_order on links (order_id);
create index links_by_device on links (device_id);
create index links_by_day on links (site, day);

create table applications (id uuid primary key, device_id uuid not null, site text not null, day date not null, state json not null);
create index applications_by_device on applications (device_id);
create index applications_by_day on applications (site, day);

create table returns (id uuid primary key, device_id uuid not null, order_id uuid, state json not null);
create index returns_by_device on returns (device_id);

create table tasks (id uuid primary key, order_id uuid not null, link_id uuid not null, state json not null);
create index tasks_by_order on tasks (order_id);

create table stubs (id uuid primary key, order_id uuid not null, link_id uuid not null, state json not null);
create index stubs_by_order on stubs (order_id);

create table gaps (
  id uuid primary key,
  site text,
  day date not null,
  order_id uuid,
  device_id uuid,
  open boolean not null,
  state json not null
);
create index gaps_by_order on gaps (order_id) where order_id is not null;
create index gaps_by_device on gaps (device_id) where device_id is not null;
create index gaps_by_day on gaps (site, day);

-- What can be read and searched. from1/until1 and from2/until2 hold the two dates by which a type may be searched.
create table resources (
  type text not null,
  id uuid not null,
  version int not null,
  updated timestamptz not null,
  seen_by text[] not null,
  tokens text[] not null,
  from1 timestamptz,
  until1 timestamptz,
  from2 timestamptz,
  until2 timestamptz,
  body text not null,
  primary key (type, id)
);
create index resources_by_token on resources using gin (tokens);
-- For callers who may see few of very many: without it they would walk through all that is others'.
create index resources_by_sight on resources using gin (seen_by);
create index resources_by_update on resources (type, updated, id);
-- By the end of the span: whatever lies after, within or wholly before a date is a range of these.
create index resources_by_date1 on resources (type, coalesce(until1, 'infinity'), id) where from1 is not null or until1 is not null;
create index resources_by_date2 on resources (type, coalesce(until2, 'infinity'), id) where from2 is not null or until2 is not null;

-- What a resource was before its last change, who could see it then, and by what it was found.
create table earlier_versions (
  type text not null,
  id uuid not null,
  version int not null,
  updated timestamptz not null,
  seen_by text[] not null,
  tokens text[] not null,
  from1 timestamptz,
  until1 timestamptz,
  from2 timestamptz,
  until2 timestamptz,
  body text not null,
  primary key (type, id, version)
);

create table names (
  type text not null,
  id uuid not null,
  param text not null,
  value text collate "C" not null
);
create index names_by_value on names (type, param, value);
create index names_by_id on names (type, id);

-- Answers to calls with a captureKey.
create table captures (
  caller text not null,
  key text not null,
  digest text not null,
  answer text not null,
  at timestamptz not null,
  primary key (caller, key)
);

-- One row for each message to each destination. fate: did they take it; next_attempt and attempts: does the work go on.
-- may_be_there: it was sent and never answered for; remembered while it is parked, so that it is looked for first.
create table deliveries (
  id uuid primary key,
  seq bigint generated always as identity,
  destination text not null,
  order_id uuid not null,
  body text not null,
  request_id text not null,
  fate text not null check (fate in ('queued', 'sent', 'taken', 'refused', 'unsure', 'parked', 'superseded')),
  reason text,
  attempts int not null default 0,
  fence int not null default 0,
  next_attempt timestamptz,
  leased_until timestamptz,
  may_be_there boolean not null default false,
  queued_at timestamptz not null,
  replayed_at timestamptz,
  sent_at timestamptz,
  answered_at timestamptz
);
create index deliveries_by_order on deliveries (order_id, seq);
create index deliveries_by_fate on deliveries (destination, fate, seq);
create index deliveries_due on deliveries (destination, next_attempt) where fate in ('queued', 'unsure');

-- What stands between a destination and its messages: an operator's pause, or trouble. In trouble it is closed, and
-- from closed_until on one message at a time is tried, until one arrives.
create table destinations (
  id text primary key,
  paused boolean not null default false,
  reason text,
  strikes int not null default 0,
  struck_by uuid,
  closings int not null default 0,
  closed_until timestamptz,
  closed_since timestamptz,
  probing_until timestamptz,
  trouble text
);

-- The evening of a site at one of its moments, with the bytes as issued.
create table evenings (
  site text not null,
  day date not null,
  moment text not null check (moment in ('cut-off', 'day-end')),
  as_of timestamptz not null,
  due_at timestamptz not null,
  issued_at timestamptz not null,
  report text not null,
  sha256 text not null,
  primary key (site, day, moment)
);

-- Up to which local day each site's evenings were issued.
create table watched (
  site text primary key,
  since timestamptz not null
);
`

/** Version 3. What was written into other servers, under which ids of theirs, and when their answers were looked for. */
export const v3 = `
set local search_path = daybind, public;

-- Ids that a server gave to what we wrote there, and the version that we made or found last.
create table written (
  destination text not null,
  type text not null,
  id uuid not null,
  their_id text not null,
  their_version text,
  written_at timestamptz not null default now(),
  primary key (destination, type, id)
);

-- Work that a reading service has and has not finished, and when we look at its server whether it has answered there.
-- Real time.
create table task_looks (
  id uuid primary key,
  reading_service text not null,
  due_at timestamptz not null
);
create index task_looks_due on task_looks (reading_service, due_at);
insert into task_looks select id, state->>'readingService', now() from tasks t
  where state->>'asks' = 'fulfill' and state->>'status' in ('requested', 'received', 'accepted', 'in-progress')
    and exists (select from deliveries d where d.order_id = t.order_id and d.destination = t.state->>'readingService'
      and d.sent_at is not null);

-- Under which address below its base a source knows something.
create index addresses_by_id on identities (id) where system = 'urn:ietf:rfc:3986';
`

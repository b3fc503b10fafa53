/** Version 2. Sources that are asked: how far, with what trouble, and what of theirs was seen. Their pace is real time. */
export const v2 = `
set local search_path = daybind, public;

-- One row for each source that is asked. Whoever has the lease asks; nobody else does meanwhile.
create table asked_sources (
  id text primary key,
  watermark timestamptz,
  next_at timestamptz not null default now(),
  leased_until timestamptz,
  fence int not null default 0,
  tried_at timestamptz,
  good_at timestamptz,
  swept_at timestamptz,
  failures int not null default 0,
  trouble text,
  warnings text[] not null default '{}',
  skew_seconds float8,
  found_at timestamptz, -- when a search by time last found something new
  hinted_at timestamptz,
  hook_secret text not null,
  subscription text,
  subscription_status text,
  subscription_since timestamptz,
  subscription_checked timestamptz,
  subscription_made int not null default 0,
  subscription_trouble text
);

-- The newest version that was seen of each order and patient of theirs, and what became of it.
create table seen_at_sources (
  source text not null,
  type text not null,
  id text not null,
  version text not null,
  seen_at timestamptz not null default now(),
  fate text not null check (fate in ('taken', 'not-ours', 'refused')),
  open boolean not null default false,
  patient text,
  problems text[] not null default '{}',
  primary key (source, type, id)
);
create index seen_open on seen_at_sources (source, id) where open;
create index seen_refused on seen_at_sources (source, seen_at desc) where fate = 'refused';
`

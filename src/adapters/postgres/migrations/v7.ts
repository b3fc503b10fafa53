/** Version 7. Alerts: whom a gap was told to, and messages that are about no order. */
export const v7 = `
-- Each moment at which somebody was to be told of gaps, once however many instances look. delivery: the message; none
-- where there was nothing to tell. The first row of a recipient is when it was first configured.
create table alerts (
  recipient text not null,
  moment timestamptz not null,
  looked_at timestamptz not null,
  delivery uuid,
  primary key (recipient, moment)
);

-- What a recipient was told of a gap, and how it stood then: without news nobody is told again.
create table told_gaps (
  recipient text not null,
  gap uuid not null,
  status text not null check (status in ('preliminary', 'final')),
  delivery uuid not null,
  told_at timestamptz not null,
  primary key (recipient, gap, status)
);

create index gaps_open on gaps (site, (state->>'code')) where open;
create index journal_of_gaps on journal (seq) where kind = 'gap';
alter table deliveries alter column order_id drop not null;
`

/**
 * Version 8. The evenings of a site are a chain: each head is a hash of the head before it and of all that its row says,
 * so that nobody can change, remove or insert an evening unseen. The heads of those that exist are made here.
 */
export const v8 = `
set local search_path = daybind, public;

alter table evenings add column position bigint, add column head text;

-- The text that is hashed; archive.ts makes the same.
create function evening_head(before text, place bigint, e evenings) returns text language sql stable as $$
  select encode(sha256(convert_to(concat_ws(E'\\n', before, place, e.site, e.day, e.moment,
    to_char(e.as_of at time zone 'utc', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'),
    to_char(e.due_at at time zone 'utc', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'),
    to_char(e.issued_at at time zone 'utc', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'),
    encode(sha256(convert_to(e.report, 'UTF8')), 'hex')), 'UTF8')), 'hex')
$$;

do $$
declare e evenings; before text := ''; place bigint := 0; site_before text;
begin
  for e in select * from evenings order by site, issued_at, day, moment loop
    if e.site is distinct from site_before then before := ''; place := 0; site_before := e.site; end if;
    place := place + 1;
    before := evening_head(before, place, e);
    update evenings set position = place, head = before where site = e.site and day = e.day and moment = e.moment;
  end loop;
end $$;

drop function evening_head;
alter table evenings alter column position set not null, alter column head set not null;
create unique index evenings_in_order on evenings (site, position);

-- The newest head of each site, so that a chain whose end was cut off is told from one that ends there.
create table evening_heads (site text primary key, position bigint not null, head text not null);
insert into evening_heads select distinct on (site) site, position, head from evenings order by site, position desc;
`

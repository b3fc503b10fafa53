export const v13 = `
-- What an alert told, by its delivery: where that is given up, nobody was told.
create index told_by_delivery on told_gaps (delivery);
`

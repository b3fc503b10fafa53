Extension: LinkEndReason
Id: link-end-reason
Title: "Why a link ended"
Description: "Why the recorder came off, or is worn no more. R4's DeviceUseStatement has no element for it."
Context: DeviceUseStatement
* value[x] 1..1
* value[x] only code
* value[x] from link-end (required)

Extension: AssumedEnd
Id: assumed-end
Title: "An end that nobody stated"
Description: "The end of the period is when the device came back, since nobody said when it came off."
Context: Period
* value[x] 1..1
* value[x] only boolean
* valueBoolean = true

Extension: ReplacedLink
Id: replaced-link
Title: "The link that was corrected"
Description: "The link, entered in error, that this one takes the place of."
Context: DeviceUseStatement
* value[x] 1..1
* value[x] only Reference(DeviceUseStatement)

Extension: LikeliestCause
Id: likeliest-cause
Title: "Likeliest cause of a doubt about the clock"
Description: "Why the recorder's clock and the stated moment are most likely apart. A person looks and decides."
Context: DetectedIssue
* value[x] 1..1
* value[x] only code
* value[x] from clock-cause (required)

Extension: AcknowledgedGap
Id: acknowledged
Title: "Somebody has seen a gap"
Description: "Who has seen it, when, and what they said. It ends nothing, so it is no mitigation."
Context: DetectedIssue
* extension contains at 1..1 and by 1..1 and note 0..1
* extension[at] ^short = "When it was seen"
* extension[at].value[x] 1..1
* extension[at].value[x] only instant
* extension[by] ^short = "Who has seen it, as a caller of Daybind"
* extension[by].value[x] 1..1
* extension[by].value[x] only Reference
* extension[note] ^short = "What they said"
* extension[note].value[x] 1..1
* extension[note].value[x] only string

Extension: NotAppliedDetails
Id: not-applied
Title: "A visit without a recorder"
Description: "What R4 has no element for where no recorder was fitted: the day of the visit, the new one, and what else was said."
Context: Provenance
* extension contains day 0..1 and newDate 0..1 and note 0..1
* extension[day] ^short = "The local day of the visit that it is about"
* extension[day].value[x] 1..1
* extension[day].value[x] only date
* extension[newDate] ^short = "The new day of the visit"
* extension[newDate].value[x] 1..1
* extension[newDate].value[x] only date
* extension[note] ^short = "What else should be known"
* extension[note].value[x] 1..1
* extension[note].value[x] only string

Extension: TimeZoneData
Id: time-zone-data
Title: "Version of the time zone rules"
Description: "The release of the IANA time zone database by which local days were measured: future rules may change by law."
Context: MeasureReport
* value[x] 1..1
* value[x] only string

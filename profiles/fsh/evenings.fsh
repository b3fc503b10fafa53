Profile: DaybindGap
Parent: DetectedIssue
Id: gap
Title: "Gap"
Description: "Something that should be there and is not, with what to do next. It is never deleted: what mended it is its mitigation."
* insert OwnIdentifier(https://daybind.example/gaps)
* extension contains LikeliestCause named cause 0..1
* extension[cause] ^short = "Of a doubt about the clock: its likeliest cause"
* status from GapStatus (required)
* status ^short = "preliminary until the moment has passed before which it could be mended in time, then final"
* code 1..1
* code from gap (required)
* code ^short = "Which gap"
* severity 1..1
* severity ^short = "As the table of gaps has it"
* patient ^short = "Where it is known, and the reader may know it"
* identified[x] 1..1
* identified[x] only dateTime
* identified[x] ^short = "The moment from which it is there"
* implicated 1..*
* implicated only Reference(ServiceRequest or Device or DeviceUseStatement)
* implicated ^short = "The order, the recorder and the link that it is about"
* detail 1..1
* detail ^short = "What is wrong here and what to do next, for people"
* mitigation.action from mitigation (required)
* mitigation.action ^short = "What mended it"
* mitigation.date 1..1
* mitigation.author ^short = "Only when a person decided it"

Profile: DaybindEvening
Parent: MeasureReport
Id: evening
Title: "Evening"
Description: "The end of day of one site, as of one moment, in figures. The gaps go with it in the Bundle of $reconcile-day."
* insert OwnIdentifier(https://daybind.example/evenings)
* extension contains TimeZoneData named timeZoneData 1..1
* extension[timeZoneData] ^short = "The version of the time zone rules by which the day was measured"
* status = #complete
* type = #summary
* measure = "https://daybind.example/Measure/same-day-link|1"
* date 1..1
* date ^short = "The moment as of which the day is told"
* reporter 1..1
* reporter.identifier 1..1
* reporter ^short = "The site"
* period.start 1..1
* period.end 1..1
* period ^short = "The local day of the site; its end is the last millisecond"
* group 2..2
* group.code 1..1
* group.code from measure-group (required)
* group.code ^short = "linked, or taken"
* group.population 3..3
* group.population ^short = "Initial population, denominator and numerator, as the Measure defines them"
* group.measureScore ^short = "Numerator over denominator, four decimals; absent where the denominator is 0"
* group.measureScore.unit 0..0
* group.measureScore.system 0..0
* group.measureScore.code 0..0

// No expression language says these: the operation counts them.
RuleSet: Population(code, text)
* group[=].population[+].code = $population#{code}
* group[=].population[=].criteria.description = "{text}"
* group[=].population[=].criteria.language.extension[0].url = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
* group[=].population[=].criteria.language.extension[0].valueCode = #not-applicable
* group[=].population[=].criteria.reference = "https://daybind.example/OperationDefinition/reconcile-day"

Instance: same-day-link
InstanceOf: Measure
Usage: #definition
Title: "Same-day link"
* url = "https://daybind.example/Measure/same-day-link"
* version = "1"
* name = "SameDayLink"
* title = "Same-day link"
* status = #active
* experimental = false
* publisher = "Daybind"
* description = "How many of the recorders that were applied at a site on a local day were linked to their patients in time, and how many of the linked orders their reading services accepted in time. Counts of work, not of care: no judgement of any patient or treatment."
* subjectCodeableConcept = http://hl7.org/fhir/resource-types#Device
* group[+].code = MeasureGroup#linked
* group[=].description = "Linked in time"
* insert Population(initial-population, [[Every recorder that was applied at the site on the day, by link or by other evidence; what was entered in error is left out.]])
* insert Population(denominator, [[Those whose moment has come: the cut-off of the local day of the switch-on, or the end of that day where it was switched on after the cut-off.]])
* insert Population(numerator, [[Those linked before their moment.]])
* group[+].code = MeasureGroup#taken
* group[=].description = "Accepted in time"
* insert Population(initial-population, [[Every link of the day that some reading service's rule takes.]])
* insert Population(denominator, [[Those for which the time to accept is over for all of these reading services.]])
* insert Population(numerator, [[Those that all of these reading services accepted in time.]])

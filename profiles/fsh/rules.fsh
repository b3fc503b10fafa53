// What several profiles share.

Alias: $v2-0203 = http://terminology.hl7.org/CodeSystem/v2-0203
Alias: $v2-0074 = http://terminology.hl7.org/CodeSystem/v2-0074
Alias: $loinc = http://loinc.org
Alias: $task-code = http://hl7.org/fhir/CodeSystem/task-code
Alias: $population = http://terminology.hl7.org/CodeSystem/measure-population

// The name by which peers find a resource of ours again: conditional updates go by it.
RuleSet: OwnIdentifier(system)
* identifier 1..*
* identifier ^slicing.discriminator.type = #value
* identifier ^slicing.discriminator.path = "system"
* identifier ^slicing.rules = #open
* identifier ^short = "Names by which it is known"
* identifier contains daybind 1..1
* identifier[daybind] ^short = "The name that Daybind gives it, the same in every message"
* identifier[daybind].system 1..1
* identifier[daybind].system = "{system}"
* identifier[daybind].value 1..1

RuleSet: Wear
* effective[x] 1..1
* effective[x] only Period
* effective[x] ^short = "The wear: from switching on to the end"
* effectivePeriod.start 1..1
* effectivePeriod.start ^short = "When the recorder was switched on, with the offset that was stated"
* effectivePeriod.end 1..1
* effectivePeriod.end ^short = "When the wear ended"

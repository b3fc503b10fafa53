Profile: DaybindStubObservation
Parent: Observation
Id: stub-observation
Title: "Stub observation"
Description: "A recording came back and is linked; of its result nothing is known yet, so it is registered and has no value."
* insert OwnIdentifier(https://daybind.example/observations)
* basedOn 1..1
* basedOn only Reference(ServiceRequest)
* basedOn ^short = "The order"
* status from StubObservationStatus (required)
* code = $loinc#18754-2
* subject 1..1
* subject only Reference(Patient)
* insert Wear
* value[x] 0..0
* dataAbsentReason 0..0
* device 1..1
* device only Reference(Device)
* device ^short = "The recorder"

Profile: DaybindStubReport
Parent: DiagnosticReport
Id: stub-report
Title: "Stub report"
Description: "The report that is waited for: registered, without a result. The reading service's report takes its place. It names its device through its observation."
* insert OwnIdentifier(https://daybind.example/reports)
* basedOn 1..1
* basedOn only Reference(ServiceRequest)
* basedOn ^short = "The order"
* status from StubReportStatus (required)
* category 1..1
* category = $v2-0074#EC
* code = $loinc#18754-2
* subject 1..1
* subject only Reference(Patient)
* insert Wear
* result 1..1
* result only Reference(Observation)
* result ^short = "The stub observation"
* conclusion 0..0
* conclusionCode 0..0
* presentedForm 0..0

Profile: DaybindReport
Parent: DiagnosticReport
Id: report
Title: "Report"
Description: "The reading service's report in the place of its stub: patient, order and identifier are those of the stub, everything else is the reading service's own words."
* insert OwnIdentifier(https://daybind.example/reports)
* basedOn 1..*
* basedOn only Reference(ServiceRequest)
* basedOn ^short = "The order"
* status from ReportStatus (required)
* subject 1..1
* subject only Reference(Patient)

Profile: DaybindClockObservation
Parent: Observation
Id: clock-observation
Title: "Clock of a recorder"
Description: "What a recorder's own clock showed at a known moment. Two of them, at switch-on and at read-out, give its offset and drift."
* status = #final
* code = ObservationKind#recorder-clock
* subject 1..1
* subject only Reference(Device)
* subject ^short = "The recorder"
* effective[x] 1..1
* effective[x] only dateTime
* effective[x] ^short = "The true moment"
* value[x] 1..1
* value[x] only dateTime
* value[x] ^short = "What the recorder's clock showed, written with the offset of the switch-on"

Profile: DaybindSymptomObservation
Parent: Observation
Id: symptom-observation
Title: "Symptom from the diary"
Description: "One entry of the patient's diary, in the patient's words."
* basedOn 1..1
* basedOn only Reference(ServiceRequest)
* basedOn ^short = "The order"
* status = #final
* code = ObservationKind#diary-symptom
* subject 1..1
* subject only Reference(Patient)
* effective[x] 1..1
* effective[x] only dateTime
* effective[x] ^short = "When it was felt: a moment, or a day where nobody wrote the time"
* value[x] 1..1
* value[x] only string
* value[x] ^short = "What was felt, as written"

// Parts of R4's own code systems; those that are made of our own codes come from the tables of the code.

ValueSet: LinkStatus
Id: link-status
Title: "Status of a link"
Description: "What a link may be."
* http://hl7.org/fhir/device-statement-status#active
* http://hl7.org/fhir/device-statement-status#completed
* http://hl7.org/fhir/device-statement-status#stopped
* http://hl7.org/fhir/device-statement-status#entered-in-error

ValueSet: ApplicationStatus
Id: application-status
Title: "Status of an application"
Description: "What an application may be: it is recorded when it is done."
* http://hl7.org/fhir/event-status#completed
* http://hl7.org/fhir/event-status#entered-in-error

ValueSet: ReadingTaskStatus
Id: reading-task-status
Title: "Status of a reading task"
Description: "What a reading task may be."
* http://hl7.org/fhir/task-status#requested
* http://hl7.org/fhir/task-status#received
* http://hl7.org/fhir/task-status#accepted
* http://hl7.org/fhir/task-status#rejected
* http://hl7.org/fhir/task-status#in-progress
* http://hl7.org/fhir/task-status#completed
* http://hl7.org/fhir/task-status#failed
* http://hl7.org/fhir/task-status#cancelled
* http://hl7.org/fhir/task-status#entered-in-error

ValueSet: ReadingTaskCode
Id: reading-task-code
Title: "What a reading service is asked to do"
Description: "To read a recording, or to stop doing so."
* $task-code#fulfill
* $task-code#abort

ValueSet: StubObservationStatus
Id: stub-observation-status
Title: "Status of a stub observation"
Description: "Registered, or withdrawn with its link."
* http://hl7.org/fhir/observation-status#registered
* http://hl7.org/fhir/observation-status#entered-in-error

ValueSet: StubReportStatus
Id: stub-report-status
Title: "Status of a stub report"
Description: "Registered, or withdrawn with its link."
* http://hl7.org/fhir/diagnostic-report-status#registered
* http://hl7.org/fhir/diagnostic-report-status#entered-in-error

ValueSet: ReportStatus
Id: report-status
Title: "Status of a report"
Description: "What a reading service may say of its report, and that it was withdrawn."
* http://hl7.org/fhir/diagnostic-report-status#partial
* http://hl7.org/fhir/diagnostic-report-status#preliminary
* http://hl7.org/fhir/diagnostic-report-status#final
* http://hl7.org/fhir/diagnostic-report-status#amended
* http://hl7.org/fhir/diagnostic-report-status#corrected
* http://hl7.org/fhir/diagnostic-report-status#appended
* http://hl7.org/fhir/diagnostic-report-status#cancelled
* http://hl7.org/fhir/diagnostic-report-status#entered-in-error

ValueSet: GapStatus
Id: gap-status
Title: "Status of a gap"
Description: "Not late yet, or late."
* http://hl7.org/fhir/observation-status#preliminary
* http://hl7.org/fhir/observation-status#final

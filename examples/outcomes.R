# From the folder that `handrecord study outcomes` writes to a pooled effect and two curves, with R.
#
#   Rscript examples/outcomes.R OUTCOMES-FOLDER
#
# Needs the packages metafor and survival. Observational: it says how recorded hands went, and makes no causal claim.

library(metafor)
library(survival)

folder <- commandArgs(trailingOnly = TRUE)[1]
read <- function(name) read.csv(file.path(folder, paste0(name, ".csv")), stringsAsFactors = FALSE)

# One effect a patient: DerSimonian-Laird, with the interval of Hartung and Knapp (factor not below 1).
effects <- subset(read("effects"), effect == "slope-change")
if (nrow(effects) >= 2) {
  print(rma(yi = value, sei = error, data = effects, method = "DL", test = "adhoc"))
}

# Rates of stretches, with standard errors that count patients.
stretches <- subset(read("stretches"), !is.na(slope))
by_patient <- aggregate(slope ~ patient + stage, data = stretches, FUN = mean)
print(aggregate(slope ~ stage, data = by_patient, FUN = median))

# The share that reached the milestone, as it was computed.
milestone <- read("milestone")
if (nrow(milestone) > 0) {
  print(milestone[, c("estimate", "after", "by", "reached", "low", "high")])
}

# The same from days of one's own: an interval-censored time lies after `after` and by `by` (NA: not yet reached).
# seen <- data.frame(after = c(0, 7, 14), by = c(7, 21, NA))
# print(survfit(Surv(after, by, type = "interval2") ~ 1, data = seen))

cat("Observational: it says how recorded hands went, and makes no causal claim.\n")

# Writes data sets of units that can end in two ways, and what R makes of them, for
# competing_reference_test to recompute.
#
#   Rscript competing_references.R OUTPUT.json
#
# survfit of a multi-state Surv gives the Aalen-Johansen estimate with infinitesimal jackknife errors
# by unit. Its `cluster` changes nothing where `id` is given too (survival 3.5-3), so errors by block
# are R's influences summed by block here. cmprsk::cuminc, written by others, gives the points again.
suppressPackageStartupMessages({
  library(survival)
  library(cmprsk)
  library(jsonlite)
})
set.seed(20270305)

figures <- function(name, d) {
  d$state <- factor(d$outcome, 0:2, c("censored", "event", "competing"))
  d$row <- seq_len(nrow(d))
  days <- sort(unique(c(min(d$time), median(d$time), floor(0.8 * max(d$time)) + 0.5, max(d$time))))
  share <- function(fit, what) {
    at <- summary(fit, times = days, extend = TRUE)[[what]]
    if (!is.matrix(at)) at <- matrix(at, nrow = length(days))
    at[, match("event", fit$states)]
  }
  single <- survfit(Surv(time, state) ~ 1, d, id = row, influence = TRUE)
  influence <- single$influence.pstate
  shift <- dim(influence)[2] - length(single$time)  # 1 where time 0 is there too
  by_block <- vapply(findInterval(days, single$time) + shift, function(at) {
    if (at == 0) 0 else sqrt(sum(rowsum(influence[, at, match("event", single$states)], d$block)^2))
  }, 0)
  other <- if (any(d$outcome == 1))
    timepoints(cuminc(d$time, d$outcome), days)$est["1 1", ] else rep(0, length(days))
  list(name = name, time = I(d$time), outcome = I(d$outcome), block = I(d$block), days = I(days),
       share = I(share(single, "pstate")), other_share = I(unname(other)),
       error = I(share(single, "std.err")),
       clustered = I(by_block))
}

draw <- function(i) {
  blocks <- c(2, 3, 6, 20, 60)[i %% 5 + 1]
  per <- c(1, 2, 4)[i %% 3 + 1]
  step <- c(0, 1, 3)[i %% 3 + 1]
  n <- blocks * per
  block <- rep(seq_len(blocks), each = per)
  frailty <- rgamma(blocks, 2, 2)[block]
  event <- rexp(n, frailty / 20)
  competing <- rexp(n, c(0, 0.2, 1)[i %% 3 + 1] / 30 + 1e-9)
  stop_at <- runif(n, 10, 60)
  time <- pmin(event, competing, stop_at)
  outcome <- ifelse(time == event, 1L, ifelse(time == competing, 2L, 0L))
  time <- if (step == 0) ceiling(time * 4096) / 4096 else step * ceiling(time / step)
  if (i %% 13 == 0) outcome[outcome == 0] <- 1L   # nobody censored
  if (i %% 17 == 0) outcome[outcome == 1] <- 2L   # no event
  data.frame(time = time, outcome = outcome,
             block = sample(1000, blocks)[block])[sample(n), , drop = FALSE]
}

mgus <- survival::mgus2
mgus <- with(mgus, data.frame(time = ifelse(pstat == 1, ptime, futime),
                              outcome = ifelse(pstat == 1, 1L, 2L * death), block = age))
cases <- c(list(figures("survival::mgus2 by age", mgus)),
           lapply(1:260, function(i) figures(paste("random", i), draw(i))))
versions <- lapply(c("survival", "cmprsk"), function(p) as.character(packageVersion(p)))
write_json(list(versions = c(list(R = paste(R.version$major, R.version$minor, sep = ".")),
                             setNames(versions, c("survival", "cmprsk"))), competing = cases),
           commandArgs(TRUE)[1], digits = I(17), auto_unbox = TRUE, null = "null", na = "null")

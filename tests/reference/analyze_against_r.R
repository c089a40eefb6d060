# The whole offline path against R: a table of units on disk, the command line, the plugin's
# process, the JSON of the result, and beside them the same figures from R's survival and metafor.
# plugins/stats is compared function by function elsewhere; here what counts is that conventions,
# signs, arms, names and digits survive the way.
#
#   Rscript analyze_against_r.R PLUMULE PLUGIN_FOLDER [DATA_SETS]
#
# Ends with status 1 and the differences if one is above its tolerance (relative, 1e-9 closed forms,
# 1e-6 iterative fits).
suppressPackageStartupMessages({
  library(survival)
  library(metafor)
  library(jsonlite)
})
arguments <- commandArgs(trailingOnly = TRUE)
plumule <- arguments[1]
plugins <- arguments[2]
data_sets <- if (length(arguments) > 2) as.integer(arguments[3]) else 30L
cat(R.version.string, " survival", format(packageVersion("survival")), " metafor",
    format(packageVersion("metafor")), "\n")

compared <- 0L
worst <- list()
failures <- character()

check <- function(label, ours, reference, tolerance) {
  compared <<- compared + 1L
  if (is.null(ours) || is.na(ours)) ours <- NA_real_
  if (is.na(ours) && is.na(reference)) return(invisible())
  difference <- abs(ours - reference) / max(abs(reference), 1e-3)
  kind <- sub(" .*", "", label)
  if (is.na(difference) || difference > tolerance) {
    failures <<- c(failures, sprintf("%s: ours %.15g, R %.15g", label, ours, reference))
  } else {
    worst[[kind]] <<- max(worst[[kind]], difference)
  }
}

run <- function(...) {
  out <- tempfile()
  status <- system2(plumule, c(..., "--plugins", shQuote(plugins), "--format", "json"), stdout = out)
  if (status != 0) stop("plumule ended with status ", status)
  fromJSON(out, simplifyVector = FALSE)
}

pick <- function(list_of, ...) {
  wanted <- list(...)
  for (entry in list_of) {
    if (all(vapply(names(wanted), function(name) {
      have <- entry[[name]]
      if (is.null(have)) have <- ""
      if (is.numeric(wanted[[name]])) isTRUE(all.equal(as.numeric(have), wanted[[name]])) else identical(as.character(have), wanted[[name]])
    }, logical(1)))) return(entry)
  }
  NULL
}

draw_units <- function(seed) {
  set.seed(seed)
  blocks <- sample(8:40, 1)
  arms <- c("control", "peeled", "soaked")[seq_len(sample(2:3, 1))]
  per_arm <- sample(1:4, 1)
  rows <- expand.grid(copy = seq_len(per_arm), arm = arms, block = sprintf("b%02d", seq_len(blocks)),
                      stringsAsFactors = FALSE)
  rows <- rows[runif(nrow(rows)) > 0.1, ]
  frailty <- exp(rnorm(blocks, 0, 0.3))[match(rows$block, unique(rows$block))]
  days <- ceiling(frailty * rexp(nrow(rows), ifelse(rows$arm == "control", 1 / 14, 1 / 9)) + 2)
  end <- ceiling(runif(nrow(rows), 10, 40))
  rows$time <- pmin(days, end)
  rows$event <- as.integer(days <= end)
  rows$unit <- sprintf("u%03d", seq_len(nrow(rows)))
  rows
}

for (seed in seq_len(data_sets)) {
  units <- draw_units(seed)
  units$arm <- factor(units$arm)
  arms <- levels(units$arm)
  others <- setdiff(arms, "control")
  path <- tempfile(fileext = ".csv")
  write.csv(data.frame(block = units$block, unit = units$unit, arm = units$arm,
                       shoot_lower = units$time, shoot_upper = ifelse(units$event == 1, units$time, NA),
                       shoot_status = ifelse(units$event == 1, "reached", "not_reached")),
            path, row.names = FALSE, na = "", quote = FALSE)
  result <- run("analyze", "--plugin", "time-to-threshold", "--units", path, "--control", "control")
  estimate <- function(...) pick(result$estimates, analysis_set = "all_started", ...)
  fit <- survfit(Surv(time, event) ~ arm, units, conf.type = "log-log")
  tau <- min(tapply(units$time, units$arm, max))
  means <- survival:::survmean(fit, rmean = tau)$matrix
  for (arm in arms) {
    ours <- estimate(measure = "restricted_mean_days", method = "kaplan_meier", arm = arm)
    row <- paste0("arm=", arm)
    label <- sprintf("mean %d %s", seed, arm)
    check(label, ours$at, tau, 1e-12)
    check(label, ours$value, means[row, "rmean"], 1e-9)
    check(label, ours$standard_error, means[row, "se(rmean)"], 1e-9)
    quantiles <- quantile(fit, c(0.25, 0.5, 0.75))
    for (i in 1:3) {
      ours <- estimate(measure = "days_to_quantile", method = "kaplan_meier", arm = arm,
                       at = c(0.25, 0.5, 0.75)[i])
      label <- sprintf("quantile %d %s %d", seed, arm, i)
      check(label, ours$value, quantiles$quantile[row, i], 1e-9)
      check(label, ours$lower, quantiles$lower[row, i], 1e-9)
      check(label, ours$upper, quantiles$upper[row, i], 1e-9)
    }
    at <- summary(fit[row], times = tau, extend = TRUE)
    ours <- estimate(measure = "reached_by", method = "kaplan_meier", arm = arm, at = tau)
    label <- sprintf("reached %d %s", seed, arm)
    check(label, ours$value, 1 - at$surv, 1e-9)
    if (at$surv > 0 && at$surv < 1) {
      check(label, ours$lower, 1 - at$upper, 1e-9)
      check(label, ours$upper, 1 - at$lower, 1e-9)
    }
  }
  stratified <- survdiff(Surv(time, event) ~ arm + strata(block), units)
  plain <- survdiff(Surv(time, event) ~ arm, units)
  ours <- pick(result$tests, name = "log_rank_stratified_by_block", arm = if (length(others) == 1) others else "", analysis_set = "all_started")
  if (is.null(ours)) ours <- pick(result$tests, name = "log_rank_stratified_by_block", analysis_set = "all_started")
  check(sprintf("stratified_log_rank %d", seed), ours$statistic, stratified$chisq, 1e-9)
  ours <- pick(result$tests, name = "log_rank", analysis_set = "all_started")
  check(sprintf("log_rank %d", seed), ours$statistic, plain$chisq, 1e-9)
  check(sprintf("log_rank %d", seed), ours$p_value, pchisq(plain$chisq, length(arms) - 1, lower.tail = FALSE), 1e-9)
  cox <- coxph(Surv(time, event) ~ arm + strata(block), units, ties = "exact",
               control = coxph.control(eps = 1e-12, toler.chol = 1e-13, iter.max = 50))
  robust <- coxph(Surv(time, event) ~ arm, units, ties = "efron", cluster = block,
                  control = coxph.control(eps = 1e-12, toler.chol = 1e-13, iter.max = 50))
  for (arm in others) {
    name <- paste0("arm", arm)
    ours <- estimate(measure = "hazard_ratio", method = "cox_stratified_by_block", arm = arm, against = "control")
    label <- sprintf("cox_exact %d %s", seed, arm)
    check(label, ours$value, exp(coef(cox)[[name]]), 1e-6)
    check(label, ours$standard_error, sqrt(vcov(cox)[name, name]), 1e-6)
    check(label, ours$upper, exp(coef(cox)[[name]] + qnorm(0.975) * sqrt(vcov(cox)[name, name])), 1e-6)
    ours <- estimate(measure = "hazard_ratio", method = "cox_cluster_robust", arm = arm, against = "control")
    label <- sprintf("cox_robust %d %s", seed, arm)
    check(label, ours$value, exp(coef(robust)[[name]]), 1e-6)
    check(label, ours$standard_error, sqrt(vcov(robust)[name, name]), 1e-6)
    # Influence-function errors of the restricted mean, summed by block (Andersen, Hansen & Klein
    # 2004): R's survfit gives the influence of each unit on the restricted mean.
    influence <- function(one) {
      mine <- units[units$arm == one, ]
      curve <- survfit(Surv(time, event) ~ 1, mine, influence = TRUE)
      steps <- curve$time <= tau
      widths <- diff(c(curve$time[steps], tau))
      as.matrix(curve$influence.surv)[, steps, drop = FALSE] %*% widths
    }
    by_block <- tapply(influence(arm), factor(units$block[units$arm == arm], unique(units$block)), sum, default = 0) -
      tapply(influence("control"), factor(units$block[units$arm == "control"], unique(units$block)), sum, default = 0)
    ours <- estimate(measure = "restricted_mean_difference", method = "cluster_robust", arm = arm, against = "control")
    label <- sprintf("mean_difference %d %s", seed, arm)
    check(label, ours$value, means[paste0("arm=", arm), "rmean"] - means["arm=control", "rmean"], 1e-9)
    check(label, ours$standard_error, sqrt(sum(by_block^2)), 1e-8)
  }
}

for (seed in seq_len(data_sets)) {
  set.seed(1000 + seed)
  studies <- sample(3:25, 1)
  table <- data.frame(study = sprintf("s%02d", seq_len(studies)), n_treated = sample(10:200, studies, TRUE),
                      n_control = sample(10:200, studies, TRUE))
  table$events_treated <- rbinom(studies, table$n_treated, plogis(rnorm(studies, 0.3, 0.5)))
  table$events_control <- rbinom(studies, table$n_control, plogis(rnorm(studies, 0, 0.5)))
  path <- tempfile(fileext = ".csv")
  write.csv(table, path, row.names = FALSE, quote = FALSE)
  measure <- c("log_risk_ratio", "log_odds_ratio", "risk_difference")[seed %% 3 + 1]
  result <- run("pool", "--studies", path, "--set", paste0("measure=", measure))
  effects <- escalc(c(log_risk_ratio = "RR", log_odds_ratio = "OR", risk_difference = "RD")[[measure]],
                    ai = events_treated, n1i = n_treated, ci = events_control, n2i = n_control, data = table)
  control <- list(threshold = 1e-13, maxiter = 10000)
  reml <- rma(yi, vi, data = effects, method = "REML", control = control)
  knapp <- rma(yi, vi, data = effects, method = "REML", test = "adhoc", control = control)
  common <- rma(yi, vi, data = effects, method = "EE")
  ours <- pick(result$estimates, measure = "tau_squared", method = "reml")
  check(sprintf("tau2 %d", seed), ours$value, reml$tau2, 1e-6)
  ours <- pick(result$estimates, measure = "pooled_effect", method = "reml")
  check(sprintf("reml %d", seed), ours$value, as.numeric(reml$beta), 1e-6)
  check(sprintf("reml %d", seed), ours$standard_error, reml$se, 1e-6)
  ours <- pick(result$estimates, measure = "pooled_effect", method = "reml_hartung_knapp")
  check(sprintf("knapp %d", seed), ours$lower, knapp$ci.lb, 1e-6)
  check(sprintf("knapp %d", seed), ours$upper, knapp$ci.ub, 1e-6)
  ours <- pick(result$estimates, measure = "pooled_effect", method = "inverse_variance_common")
  check(sprintf("common %d", seed), ours$value, as.numeric(common$beta), 1e-9)
  check(sprintf("common %d", seed), ours$lower, common$ci.lb, 1e-9)
  ours <- pick(result$estimates, measure = "i_squared", method = "reml")
  check(sprintf("i2 %d", seed), ours$value, reml$I2, 1e-6)
  ours <- pick(result$tests, name = "cochran_q")
  check(sprintf("q %d", seed), ours$statistic, reml$QE, 1e-9)
}

cat(compared, "figures compared; worst relative difference by kind:\n")
for (kind in names(worst)) cat(sprintf("  %-20s %.1e\n", kind, worst[[kind]]))
if (length(failures) > 0) {
  cat(length(failures), "differ:\n", paste0("  ", head(failures, 40), "\n"), sep = "")
  quit(status = 1)
}

# Writes data sets and what R makes of them, for reference_test to recompute.
#
#   Rscript references.R OUTPUT.json
#
# Published data sets ship with the R packages survival, MASS and metadat; the rest is drawn with a
# fixed seed. R is made to converge tightly, as it is loose by default: a difference seen by the test
# must be ours.
suppressPackageStartupMessages({
  library(survival)
  library(metafor)
  library(jsonlite)
})
set.seed(20270304)
tight <- coxph.control(eps = 1e-13, iter.max = 100, toler.chol = 1e-14)

# ---- time to event -------------------------------------------------------------------------------

# One group: curve, shares at days, quantiles, restricted mean.
group_figures <- function(time, event, days, tau) {
  fit <- survfit(Surv(time, event) ~ 1, conf.type = "log-log", timefix = FALSE)
  at <- summary(fit, times = days, extend = TRUE)
  q <- quantile(fit, c(0.25, 0.5, 0.75))
  rm <- survival:::survmean(fit, rmean = tau)$matrix
  list(time = I(fit$time), at_risk = I(fit$n.risk), events = I(fit$n.event),
       censored = I(fit$n.censor), survival = I(fit$surv),
       variance = I(ifelse(fit$surv > 0, (fit$surv * fit$std.err)^2, 0)),
       days = I(days), reached = I(1 - at$surv),
       # before the first time R answers 1 and 1 where it has NA at later times with the same curve
       reached_lower = I(ifelse(at$surv == 1, NA, 1 - at$upper)),
       reached_upper = I(ifelse(at$surv == 1, NA, 1 - at$lower)),
       quantile = I(unname(q$quantile)), quantile_lower = I(unname(q$lower)),
       quantile_upper = I(unname(q$upper)),
       restricted_mean = unname(rm["rmean"]), restricted_mean_se = unname(rm["se(rmean)"]))
}

# Influence of each unit on its own arm's restricted mean, from R, which evaluates the data's name
# again in a frame that only sees the global environment. residuals.survfit 3.5 stops with an error
# on groups with fewer than two event times: NA there, and the test counts what it left out.
influence_of <- function(d, tau) {
  assign("influence_frame", d, envir = globalenv())
  fit <- survfit(Surv(time, event) ~ 1, data = influence_frame, timefix = FALSE)
  found <- try(as.vector(residuals(fit, times = tau, type = "auc")), silent = TRUE)
  if (inherits(found, "try-error")) rep(NA, nrow(d)) else found
}

restricted_contrast <- function(d, tau) {
  one <- d[d$arm == 1, ]; zero <- d[d$arm == 0, ]
  i1 <- influence_of(one, tau); i0 <- influence_of(zero, tau)
  m1 <- survival:::survmean(survfit(Surv(time, event) ~ 1, one, timefix = FALSE), rmean = tau)$matrix
  m0 <- survival:::survmean(survfit(Surv(time, event) ~ 1, zero, timefix = FALSE), rmean = tau)$matrix
  block <- c(one$block, zero$block)
  by_block <- function(x) sqrt(sum(tapply(x, block, sum)^2))
  mean1 <- unname(m1["rmean"]); mean0 <- unname(m0["rmean"])
  list(difference = mean1 - mean0,
       independent = sqrt(unname(m1["se(rmean)"])^2 + unname(m0["se(rmean)"])^2),
       robust = by_block(c(i1, -i0)),
       ratio = if (mean0 > 0 && mean1 > 0) mean1 / mean0 else NA,
       log_robust = if (mean0 > 0 && mean1 > 0) by_block(c(i1 / mean1, -i0 / mean0)) else NA)
}

log_rank <- function(d, arms, stratified) {
  if (length(unique(d$arm)) < 2) return(NULL)
  f <- if (stratified) Surv(time, event) ~ arm + strata(block) else Surv(time, event) ~ arm
  d$arm <- factor(d$arm)
  fit <- try(survdiff(f, data = d), silent = TRUE)
  if (inherits(fit, "try-error")) {
    # R cannot invert the variance; observed and expected are still compared.
    fit <- survival:::survdiff.fit(Surv(d$time, d$event), d$arm,
                                   if (stratified) d$block else rep(1, nrow(d)))
    fit <- list(obs = fit$observed, exp = fit$expected, var = fit$var, chisq = NA)
  }
  total <- function(x) if (is.matrix(x)) rowSums(x) else x
  keep <- total(fit$exp) > 0
  v <- fit$var[keep, keep, drop = FALSE][-1, -1, drop = FALSE]
  ok <- sum(keep) > 1 && min(eigen(v, TRUE, TRUE)$values) > 1e-9
  list(arm = I(as.integer(levels(d$arm))), observed = I(unname(total(fit$obs))),
       expected = I(unname(total(fit$exp))), covariance = I(as.vector(fit$var)),
       statistic = if (ok) fit$chisq else NA, df = if (ok) sum(keep) - 1 else NA,
       p = if (ok) pchisq(fit$chisq, sum(keep) - 1, lower.tail = FALSE) else NA)
}

cox <- function(d, ties, stratified, robust) {
  if (length(unique(d$arm)) < 2 || sum(d$event) == 0) return(NULL)
  d$arm <- factor(d$arm)
  f <- if (stratified) Surv(time, event) ~ arm + strata(block) else Surv(time, event) ~ arm
  warned <- FALSE
  fit <- try(withCallingHandlers(
    if (robust) coxph(f, d, ties = ties, cluster = block, control = tight)
    else coxph(f, d, ties = ties, control = tight),
    warning = function(w) { warned <<- TRUE; invokeRestart("muffleWarning") }), silent = TRUE)
  if (inherits(fit, "try-error")) return(list(failed = TRUE))
  b <- unname(coef(fit))
  v <- if (robust) fit$naive.var else fit$var
  if (is.null(v)) return(list(failed = TRUE))  # no coefficient at all, so no robust variance
  list(failed = FALSE, arm = I(as.integer(levels(d$arm))),
       finite = !warned && !anyNA(b) && all(abs(b) < 15) && all(diag(v) < 1e4),
       coefficient = I(b), covariance = I(as.vector(v)),
       robust = if (robust) I(as.vector(fit$var)) else NULL,
       null = fit$loglik[1], loglik = fit$loglik[2],
       score = if (is.null(fit$score)) NA else fit$score, wald = unname(fit$wald.test))
}

# Trend over ordered arms: the score test of Cox's model with the arm as a number. With exact ties it
# is Tarone's statistic; survdiff has no trend test.
trend <- function(d, stratified) {
  if (length(unique(d$arm)) < 2 || sum(d$event) == 0) return(NULL)
  f <- if (stratified) Surv(time, event) ~ arm + strata(block) else Surv(time, event) ~ arm
  fit <- try(suppressWarnings(coxph(f, d, ties = "exact", control = coxph.control(iter.max = 0))),
             silent = TRUE)
  if (inherits(fit, "try-error") || is.null(fit$score) || is.na(fit$score)) return(NULL)
  fit$score
}

peto_peto <- function(d) {
  if (length(unique(d$arm)) < 2) return(NULL)
  d$arm <- factor(d$arm)
  fit <- try(survdiff(Surv(time, event) ~ arm, d, rho = 1), silent = TRUE)
  if (inherits(fit, "try-error")) return(NULL)
  v <- fit$var[-1, -1, drop = FALSE]
  ok <- all(fit$exp > 0) && min(eigen(v, TRUE, TRUE)$values) > 1e-9
  list(arm = I(as.integer(levels(d$arm))), observed = I(fit$obs), expected = I(fit$exp),
       covariance = I(as.vector(fit$var)), statistic = if (ok) fit$chisq else NA)
}

# One row an arm but the first, then all together; NULL where Cox's model has no finite fit.
proportional_hazards <- function(d, stratified, transform) {
  if (length(unique(d$arm)) < 2 || sum(d$event) == 0) return(NULL)
  d$arm <- factor(d$arm)
  f <- if (stratified) Surv(time, event) ~ arm + strata(block) else Surv(time, event) ~ arm
  warned <- FALSE
  found <- try(withCallingHandlers({
    fit <- coxph(f, d, ties = "efron", control = tight)
    cox.zph(fit, transform = transform, terms = FALSE)$table
  }, warning = function(w) { warned <<- TRUE; invokeRestart("muffleWarning") }), silent = TRUE)
  if (inherits(found, "try-error") || warned || anyNA(coef(fit)) || any(abs(coef(fit)) > 15))
    return(NULL)
  list(statistic = I(unname(found[, "chisq"])), p = I(unname(found[, "p"])))
}

# Plain reading of the definition of "first", pair by pair of blocks.
first_in_block <- function(d) {
  n <- c(arm = 0, against = 0, tied = 0, unknown = 0, unequal = 0)
  d <- d[d$arm <= 1, ]
  for (b in split(d, d$block)) {
    one <- b[b$arm == 1, ]; zero <- b[b$arm == 0, ]
    least <- function(x) if (length(x)) min(x) else Inf
    e1 <- least(one$time[one$event == 1]); c1 <- least(one$time[one$event == 0])
    e0 <- least(zero$time[zero$event == 1]); c0 <- least(zero$time[zero$event == 0])
    what <- if (nrow(one) != nrow(zero)) "unequal"
      else if (e1 < e0 && e1 <= c0) "arm"
      else if (e0 < e1 && e0 <= c1) "against"
      else if (e1 == e0 && is.finite(e1) && e1 <= min(c0, c1)) "tied"
      else "unknown"
    n[what] <- n[what] + 1
  }
  as.list(n)
}

survival_case <- function(name, d, tau = NULL) {
  arms <- max(2, max(d$arm) + 1)
  if (is.null(tau)) tau <- max(1, floor(0.8 * max(d$time)) + 0.5)
  days <- sort(unique(c(d$time[1], floor(median(d$time)) + 0.25, max(d$time))))
  groups <- lapply(0:(arms - 1), function(a) {
    g <- d[d$arm == a, ]
    if (nrow(g)) group_figures(g$time, g$event, days, tau) else NULL
  })
  both <- all(c(0, 1) %in% d$arm)
  list(name = name, time = I(d$time), event = I(d$event), arm = I(d$arm), block = I(d$block),
       arms = arms, tau = tau, groups = groups,
       contrast = if (both) restricted_contrast(d[d$arm <= 1, ], tau) else NULL,
       log_rank = log_rank(d, arms, FALSE), log_rank_stratified = log_rank(d, arms, TRUE),
       trend = trend(d, FALSE), trend_stratified = trend(d, TRUE), peto_peto = peto_peto(d),
       zph_km = proportional_hazards(d, FALSE, "km"),
       zph_identity = proportional_hazards(d, FALSE, "identity"),
       zph_km_stratified = proportional_hazards(d, TRUE, "km"),
       zph_identity_stratified = proportional_hazards(d, TRUE, "identity"),
       cox_exact_stratified = cox(d, "exact", TRUE, FALSE),
       cox_efron_stratified = cox(d, "efron", TRUE, FALSE),
       cox_breslow_stratified = cox(d, "breslow", TRUE, FALSE),
       cox_exact = cox(d, "exact", FALSE, FALSE),
       cox_efron_robust = cox(d, "efron", FALSE, TRUE),
       cox_breslow_robust = cox(d, "breslow", FALSE, TRUE),
       first = first_in_block(d))
}

# Blocks of growers with a frailty, looks every `step` days (0: no ties), unequal blocks, gaps.
draw_survival <- function(i) {
  arms <- c(2, 2, 2, 3, 4)[i %% 5 + 1]
  blocks <- c(1, 2, 3, 6, 12, 30, 60)[i %% 7 + 1]
  step <- c(0, 1, 3, 7)[i %% 4 + 1]
  per <- c(1, 2, 3)[i %% 3 + 1]
  equal <- i %% 2 == 0
  rows <- do.call(rbind, lapply(seq_len(blocks), function(b) {
    sizes <- if (equal) rep(per, arms) else sample(0:per, arms, replace = TRUE)
    if (sum(sizes) == 0) return(NULL)
    data.frame(arm = rep(0:(arms - 1), sizes), block = b, frailty = rgamma(1, 2, 2))
  }))
  if (is.null(rows)) rows <- data.frame(arm = 0:1, block = 1, frailty = 1)
  n <- nrow(rows)
  t <- rexp(n, rows$frailty * exp(0.5 * rows$arm) / 20)
  stop_at <- pmin(runif(n, 5, 80), sample(c(30, 60), 1))
  event <- as.integer(t <= stop_at)
  time <- pmin(t, stop_at)
  time <- if (step == 0) ceiling(time * 4096) / 4096 else step * ceiling(time / step)
  if (i %% 11 == 0) event[] <- 1L                          # nobody censored
  if (i %% 23 == 0) event[rows$arm == 1] <- 0L             # no event in an arm
  if (i %% 29 == 0) time[] <- 9                            # all tied
  if (i %% 37 == 0) event[] <- 0L                          # all censored
  if (i %% 41 == 0) time <- time + 100 * (rows$arm == 1)   # separated
  # labels in no order, rows in no order
  block <- sample(1000, max(rows$block))[rows$block]
  d <- data.frame(time = time, event = event, arm = as.integer(rows$arm), block = block)
  d[sample(n), , drop = FALSE]
}

as_case <- function(time, event, arm, block)
  data.frame(time = as.numeric(time), event = as.integer(event), arm = as.integer(arm),
             block = as.integer(factor(block)))

published_survival <- function() {
  lung <- survival::lung[!is.na(survival::lung$inst), ]
  list(
    survival_case("MASS::gehan", with(MASS::gehan,
      as_case(time, cens, treat == "control", pair)), tau = 20),
    survival_case("survival::diabetic", with(survival::diabetic,
      as_case(time, status, trt == 1, id)), tau = 48),
    survival_case("survival::retinopathy", with(survival::retinopathy,
      as_case(futime, status, trt == 1, id)), tau = 48),
    survival_case("survival::lung", with(lung, as_case(time, status == 2, sex == 2, inst)),
      tau = 600),
    survival_case("survival::veteran", with(survival::veteran,
      as_case(time, status, trt == 2, celltype)), tau = 300),
    survival_case("survival::veteran by cell type", with(survival::veteran,
      as_case(time, status, as.integer(celltype) - 1, trt)), tau = 300),
    # recurrent rows apart, only first events: three arms
    survival_case("survival::colon deaths", with(survival::colon[survival::colon$etype == 2, ],
      as_case(time, status, as.integer(rx) - 1, sex * 10 + differ %in% 3)), tau = 2000))
}

# ---- proportions ---------------------------------------------------------------------------------

wilson <- function(x, n, level) suppressWarnings(
  prop.test(x, n, conf.level = level, correct = FALSE)$conf.int[1:2])

proportion_case <- function(x, n, level, null) {
  b <- binom.test(x, n, conf.level = level)
  list(x = x, n = n, level = level, wilson = wilson(x, n, level), exact = b$conf.int[1:2],
       p_half = b$p.value, null = null, p_null = binom.test(x, n, null)$p.value)
}

# Newcombe 1998, Stat Med 17:873, method 10, from R's Wilson limits.
newcombe <- function(x1, n1, x2, n2, level) {
  w1 <- wilson(x1, n1, level); w2 <- wilson(x2, n2, level); p1 <- x1 / n1; p2 <- x2 / n2
  p1 - p2 + c(-sqrt((p1 - w1[1])^2 + (w2[2] - p2)^2), sqrt((w1[2] - p1)^2 + (p2 - w2[1])^2))
}

# `x`: one table a row, columns x1, n1, x2, n2.
table_cases <- function(x, level) {
  effects <- lapply(c(log_risk_ratio = "RR", log_odds_ratio = "OR", risk_difference = "RD"),
    function(measure) escalc(measure = measure, ai = x[, 1], n1i = x[, 2], ci = x[, 3],
                             n2i = x[, 4]))
  lapply(seq_len(nrow(x)), function(i) c(
    list(table = x[i, ], level = level[i],
         newcombe = newcombe(x[i, 1], x[i, 2], x[i, 3], x[i, 4], level[i]),
         fisher = fisher.test(matrix(c(x[i, 1], x[i, 2] - x[i, 1], x[i, 3], x[i, 4] - x[i, 3]),
                                     2), conf.int = FALSE)$p.value),
    lapply(effects, function(e) c(e$yi[i], e$vi[i]))))
}

# Newcombe 1998, Stat Med 17:2635, method 10.
newcombe_paired <- function(a, b, c, d, level) {
  n <- a + b + c + d
  w1 <- wilson(a + b, n, level); w2 <- wilson(a + c, n, level)
  p1 <- (a + b) / n; p2 <- (a + c) / n
  k <- a * d - b * c
  if (k > 0) k <- max(k - n / 2, 0)
  m <- (a + b) * (c + d) * (a + c) * (b + d)
  phi <- if (m == 0) 0 else k / sqrt(m)
  dist <- function(x, y) sqrt(max(0, x^2 - 2 * phi * x * y + y^2))
  (b - c) / n + c(-dist(p1 - w1[1], w2[2] - p2), dist(w1[2] - p1, p2 - w2[1]))
}

paired_case <- function(a, b, c, d, level) {
  m <- matrix(c(a, c, b, d), 2)
  tests <- if (b + c > 0) {
    exact <- binom.test(b, b + c)$p.value
    list(plain = unname(mcnemar.test(m, correct = FALSE)$statistic),
         plain_p = mcnemar.test(m, correct = FALSE)$p.value,
         corrected_p = mcnemar.test(m)$p.value, exact = exact,
         mid = exact - dbinom(b, b + c, 0.5) * (if (b == c) 0.5 else 1))
  }
  list(counts = c(a, b, c, d), level = level,
       newcombe = newcombe_paired(a, b, c, d, level), tests = tests)
}

# ---- synthesis -----------------------------------------------------------------------------------

pooled_figures <- function(yi, vi, method, series) {
  # metafor's Fisher scoring takes whole steps and cycles on some data; shorter steps settle there.
  fit <- function(test) {
    for (step in c(1, 0.5, 0.2)) {
      x <- try(suppressWarnings(rma(yi, vi, method = method, test = test, control = list(
        threshold = 1e-12, maxiter = 10000, tol = 1e-14, stepadj = step,
        tau2.max = 1000 * (1 + var(yi))))), silent = TRUE)
      if (!inherits(x, "try-error")) return(x)
    }
    stop("metafor does not settle")
  }
  x <- fit("z"); h <- fit("knha"); k <- length(yi)
  p <- predict(x); ph <- predict(h)
  has_pi <- method != "EE"
  out <- list(method = method, tau2 = x$tau2, estimate = as.vector(x$beta), se = x$se, p = x$pval,
       lower = x$ci.lb, upper = x$ci.ub, q = x$QE, q_p = x$QEp, i2 = x$I2, h2 = x$H2,
       hk_se = h$se, hk_p = h$pval, hk_lower = h$ci.lb, hk_upper = h$ci.ub,
       pi_normal = if (has_pi) c(p$pi.lb, p$pi.ub) else NULL,
       pi_t1 = if (has_pi) c(ph$pi.lb, ph$pi.ub) else NULL,
       pi_t2 = if (has_pi && k > 2)
         as.vector(x$beta) + c(-1, 1) * qt(0.975, k - 2) * sqrt(x$se^2 + x$tau2) else NULL,
       weight = I(weights(x) / 100))
  if (series && method %in% c("DL", "EE")) {
    if (k > 2) out$leave_one_out <- I(leave1out(x)$estimate)
    out$cumulative <- I(cumul(x)$estimate)
  }
  out
}

q_profile <- function(yi, vi) {
  x <- rma(yi, vi, method = "DL")
  top <- 1e4 * (1 + var(yi))
  ci <- suppressWarnings(confint(x, control = list(tol = 1e-15, maxiter = 100000, tau2.max = top)))
  r <- unname(ci$random[1, ])
  if (isTRUE(ci$ci.null)) c(0, 0) else r[2:3]
}

# `series`: leave-one-out and cumulative estimates too, which take metafor long.
pooled_case <- function(name, yi, vi, series = TRUE) {
  yi <- as.vector(yi); vi <- as.vector(vi)
  list(name = name, yi = I(yi), vi = I(vi), q_profile = q_profile(yi, vi),
       fits = lapply(c("EE", "DL", "PM", "REML"), function(m) pooled_figures(yi, vi, m, series)))
}

draw_pooled <- function(i) {
  k <- c(2, 3, 4, 5, 8, 13, 25)[i %% 7 + 1]
  tau <- c(0, 0.1, 0.5, 2)[i %% 4 + 1]
  vi <- signif(exp(runif(k, -5, 1)), 6)
  yi <- round(0.3 + rnorm(k, 0, sqrt(tau^2 + vi)), 5)
  if (i %% 31 == 0) yi[] <- yi[1] + 1e-3 * seq_len(k)
  pooled_case(paste("random", i), yi, vi, series = i %% 8 == 3)
}

published_pooled <- function() {
  bcg <- metadat::dat.bcg
  of <- function(measure) escalc(measure = measure, ai = tpos, bi = tneg, ci = cpos, di = cneg,
                                 data = bcg)
  rr <- of("RR"); or <- of("OR"); rd <- of("RD")
  list(pooled_case("metadat::dat.bcg log risk ratio", rr$yi, rr$vi),
       pooled_case("metadat::dat.bcg log odds ratio", or$yi, or$vi),
       pooled_case("metadat::dat.bcg risk difference", rd$yi, rd$vi))
}

# ---- all of it -----------------------------------------------------------------------------------

n_of <- function() sample(c(1, 2, 3, 5, 8, 12, 20, 35, 60, 150, 400), 1)
levels <- c(0.9, 0.95, 0.99)

proportions <- lapply(1:300, function(i) {
  n <- n_of(); x <- if (i %% 9 == 0) 0 else if (i %% 9 == 1) n else sample(0:n, 1)
  proportion_case(x, n, levels[i %% 3 + 1], round(runif(1, 0.05, 0.95), 2))
})
tables <- table_cases(t(sapply(1:300, function(i) {
  n1 <- n_of(); n2 <- n_of()
  c(if (i %% 10 == 0) 0 else sample(0:n1, 1), n1, if (i %% 10 == 1) n2 else sample(0:n2, 1), n2)
})), levels[1:300 %% 3 + 1])
pairs <- lapply(1:300, function(i) {
  x <- sample(c(0, 0, 1, 2, 3, 5, 9, 20, 70), 4, replace = TRUE)
  if (sum(x) == 0) x[i %% 4 + 1] <- 4
  paired_case(x[1], x[2], x[3], x[4], levels[i %% 3 + 1])
})
out <- list(
  versions = list(R = paste(R.version$major, R.version$minor, sep = "."),
                  survival = as.character(packageVersion("survival")),
                  metafor = as.character(packageVersion("metafor")),
                  metadat = as.character(packageVersion("metadat")),
                  MASS = as.character(packageVersion("MASS"))),
  survival = c(published_survival(),
               lapply(1:360, function(i) survival_case(paste("random", i), draw_survival(i)))),
  proportions = proportions, tables = tables, pairs = pairs,
  pooled = c(published_pooled(), lapply(1:200, draw_pooled)))

write_json(out, commandArgs(TRUE)[1], digits = I(17), na = "null", null = "null",
           auto_unbox = TRUE)

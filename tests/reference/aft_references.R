# Writes data sets of times known exactly, between looks or not at all, and what R makes of them,
# for aft_reference_test to recompute.
#
#   Rscript aft_references.R OUTPUT.json
#
# survreg gives coefficients, log scale, log-likelihood and model covariance. Its robust = TRUE is
# used only where no row is an interval: with intervals its dfbeta do not sum to 0 at the maximum
# (survival 3.5-3; the sums are written too, to show it). So the scores by unit are derivatives of
# the log-likelihood, written here with R's own distribution functions, by central differences with
# one Richardson step, summed by block.
suppressPackageStartupMessages({
  library(survival)
  library(jsonlite)
})
set.seed(20270306)

tail_of <- list(weibull = function(z) exp(-exp(z)),
                lognormal = function(z) pnorm(z, lower.tail = FALSE),
                loglogistic = function(z) plogis(z, lower.tail = FALSE))
below <- list(weibull = function(z) -expm1(-exp(z)), lognormal = pnorm, loglogistic = plogis)
log_density <- list(weibull = function(z) z - exp(z),
                    lognormal = function(z) dnorm(z, log = TRUE),
                    loglogistic = function(z) dlogis(z, log = TRUE))

# By row, at location and log scale; d holds log times.
log_likelihood <- function(model, d, location, log_scale) {
  l <- (d$lower - location) / exp(log_scale)
  u <- (d$upper - location) / exp(log_scale)
  S <- tail_of[[model]]; F <- below[[model]]
  ifelse(d$lower == d$upper, log_density[[model]](l) - log_scale - d$lower,
         log(ifelse(l > 0, S(l) - S(u), F(u) - F(l))))
}

scores <- function(model, d, location, log_scale) {
  derive <- function(f) {
    central <- function(h) (f(h) - f(-h)) / (2 * h)
    h <- 1e-3
    (64 * central(h / 4) - 20 * central(h / 2) + central(h)) / 45
  }
  h_location <- derive(function(h) log_likelihood(model, d, location + h, log_scale))
  h_scale <- derive(function(h) log_likelihood(model, d, location, log_scale + h))
  list(location = h_location, scale = h_scale)
}

fit_one <- function(model, d, x) {
  left <- ifelse(is.infinite(d$lower), NA, exp(d$lower))
  right <- ifelse(is.infinite(d$upper), NA, exp(d$upper))
  arm <- factor(d$arm)
  control <- survreg.control(maxiter = 200, rel.tolerance = 1e-13)
  quiet <- function(e) suppressWarnings(try(e, TRUE))
  # Without an intercept: one location an arm.
  times <- Surv(left, right, type = "interval2")
  fit <- if (nlevels(arm) > 1) quiet(survreg(times ~ arm - 1, dist = model, control = control))
         else quiet(survreg(times ~ 1, dist = model, control = control))
  if (inherits(fit, "try-error") || any(!is.finite(fit$var))) return(NULL)
  b <- unname(fit$coefficients)
  s <- scores(model, d, b[as.integer(arm)], log(fit$scale))
  width <- length(b) + 1
  by_unit <- matrix(0, nrow(d), width)
  by_unit[cbind(seq_len(nrow(d)), as.integer(arm))] <- s$location
  by_unit[, width] <- s$scale
  meat <- crossprod(rowsum(by_unit, d$block))
  robust <- NULL
  interval <- is.finite(d$lower) & is.finite(d$upper) & d$lower < d$upper | is.infinite(d$lower)
  block <- d$block
  again <- quiet(survreg(times ~ arm - 1, dist = model, control = control, cluster = block,
                         robust = TRUE))
  if (nlevels(arm) > 1 && !any(interval) && !inherits(again, "try-error")) robust <- c(again$var)
  dfbeta <- quiet(residuals(fit, type = "dfbeta"))
  own <- by_unit %*% fit$var
  list(model = model, location = I(b), log_scale = log(fit$scale), log_likelihood = fit$loglik[2],
       covariance = I(c(fit$var)), sandwich = I(c(fit$var %*% meat %*% fit$var)),
       robust = robust, score = I(colSums(by_unit)),
       dfbeta_sum = if (inherits(dfbeta, "try-error")) NULL else
         max(abs(colSums(as.matrix(dfbeta)))) / sqrt(max(diag(fit$var))),
       own_sum = max(abs(colSums(own))) / sqrt(max(diag(fit$var))))
}

figures <- function(name, lower, upper, arm, block) {
  arm <- as.integer(factor(arm)) - 1L
  block <- as.integer(factor(block))
  d <- data.frame(lower = log(lower), upper = log(ifelse(upper == 0, 0.5, upper)), arm = arm,
                  block = block)
  holds <- is.finite(d$lower) | is.finite(d$upper)
  fits <- lapply(names(below), fit_one, d = d[holds, ])
  list(name = name, lower = I(lower), upper = I(ifelse(is.infinite(upper), -1, upper)),
       arm = I(arm), block = I(block), fits = Filter(Negate(is.null), fits))
}

draw <- function(i) {
  blocks <- c(8, 12, 25, 60)[i %% 4 + 1]
  arms <- c(2, 2, 3)[i %% 3 + 1]
  per <- c(1, 3, 2)[i %% 3 + 1]
  n <- blocks * arms * per
  block <- rep(seq_len(blocks), each = arms * per)
  arm <- rep(rep(seq_len(arms), each = per), blocks)
  keep <- runif(n) < 0.9  # unequal blocks
  time <- exp(3 + 0.3 * rnorm(blocks)[block] - 0.3 * arm +
              c(0.3, 0.6, 1)[i %% 3 + 1] *
                switch(i %% 3 + 1, rnorm(n), rlogis(n) / 2, log(rexp(n))))
  stop_at <- runif(n, 15, 60)
  step <- c(1, 3, 7)[i %% 3 + 1]
  kind <- switch(i %% 5 + 1, rep("looks", n), rep("exact", n), rep("exact", n),
                 sample(c("looks", "exact"), n, TRUE), rep("gaps", n))
  lower <- ifelse(kind == "exact", time, step * (ceiling(time / step) - 1))
  upper <- ifelse(kind == "exact", time, step * ceiling(time / step))
  skipped <- kind == "gaps" & runif(n) < 0.5
  lower[skipped] <- pmax(0, lower[skipped] - 2 * step)
  censored <- upper > stop_at
  lower[censored] <- if (any(kind != "exact")) floor(stop_at[censored]) else stop_at[censored]
  upper[censored] <- Inf
  if (i %% 11 == 0) lower[1] <- upper[1] <- 0
  if (i %% 7 == 0) { lower[2] <- 0; upper[2] <- Inf }
  keep[1:2] <- TRUE
  order <- sample(which(keep))
  figures(paste("random", i), lower[order], upper[order], arm[order], block[order])
}

lung <- subset(survival::lung, !is.na(inst))
published <- list(
  with(lung, figures("survival::lung by institution", time, ifelse(status == 2, time, Inf), sex,
                     inst)),
  with(survival::ovarian, figures("survival::ovarian", futime, ifelse(fustat == 1, futime, Inf), rx,
                                  seq_along(rx))),
  with(MASS::gehan, figures("MASS::gehan", time, ifelse(cens == 1, time, Inf), treat, pair)),
  with(survival::diabetic, figures("survival::diabetic", time, ifelse(status == 1, time, Inf), trt,
                                   id)),
  with(subset(survival::diabetic, time > 0),
       figures("survival::diabetic looked at every quarter",
               ifelse(status == 1, 3 * floor(time / 3), time),
               ifelse(status == 1, 3 * floor(time / 3) + 3, Inf), trt, id)))
cases <- c(published, lapply(1:240, draw))
write_json(list(versions = list(R = paste(R.version$major, R.version$minor, sep = "."),
                                survival = as.character(packageVersion("survival"))),
                aft = cases),
           commandArgs(TRUE)[1], digits = I(17), auto_unbox = TRUE, null = "null", na = "null")

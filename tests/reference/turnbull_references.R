# Writes data sets of times known exactly, between looks or not at all, and their nonparametric
# maximum likelihood estimates, for turnbull_reference_test to recompute.
#
#   Rscript turnbull_references.R OUTPUT.json
#
# Three answers: survival::survfit, which stops when shares move by less than 5e-5 (fixed in its
# code); npsurv::npsurv at tolerance 0, by Wang's constrained Newton method; and the latter sharpened
# here by Newton's method on its support. Whether that is the maximum is decided here too, from the
# definition alone: mass at no day, or gap between days, makes the rows likelier (Fenchel).
suppressPackageStartupMessages({
  library(survival)
  library(npsurv)
  library(jsonlite)
})
set.seed(20270307)

# Rows × atoms: TRUE where the event of the row can be there. Atoms are the distinct days and the
# gaps after each of them.
atoms_of <- function(lower, upper) {
  days <- sort(unique(c(lower, upper[is.finite(upper)])))
  from <- 2 * match(lower, days) - (lower == upper)
  to <- ifelse(is.finite(upper), 2 * match(upper, days) - 1, 2 * length(days))
  atom <- seq_len(2 * length(days))
  list(holds = outer(from, atom, "<=") & outer(to, atom, ">="),
       day = c(rbind(days, c(days[-1], Inf))))  # the end of each atom
}

log_likelihood_of <- function(fit, lower, upper) {
  jump <- -diff(c(1, fit$surv))
  share <- function(l, u) {
    sum(jump[if (l == u) fit$time == l else fit$time > l & fit$time <= u]) +
      (if (is.infinite(u)) 1 - sum(jump) else 0)
  }
  sum(log(mapply(share, lower, upper)))
}

sharpen <- function(holds, mass) {
  for (step in 1:30) {
    P <- drop(holds %*% mass)
    slope <- colSums(holds / P) - nrow(holds)
    step <- try(solve(crossprod(holds / P), slope), TRUE)
    if (inherits(step, "try-error")) return(NULL)
    mass <- mass + step
    if (any(mass < -1e-12) || any(!is.finite(mass))) return(NULL)
  }
  pmax(mass, 0)
}

figures <- function(name, lower, upper) {
  atoms <- atoms_of(lower, upper)
  theirs <- npsurv(cbind(lower, upper), maxit = 1000, tol = 0)
  f <- theirs$f
  # The last atom of npsurv's interval: its end, or the last gap.
  at <- ifelse(is.finite(f$right), match(f$right, atoms$day[c(TRUE, FALSE)]) * 2 - 1,
               length(atoms$day))
  # Two cells of rows alike (the end of an interval and the gap before it) are one.
  mass <- sharpen(1 * atoms$holds[, at, drop = FALSE], f$p)
  excess <- NA
  if (!is.null(mass)) {
    P <- drop(atoms$holds[, at, drop = FALSE] %*% mass)
    excess <- max(colSums(atoms$holds / P)) / length(lower) - 1
  }
  # Without a row that is an interval, survfit of an interval Surv counts one event too many
  # (survival 3.5-3): there it is asked for Kaplan and Meier's estimate.
  known <- ifelse(is.infinite(upper), lower, upper)
  times <- if (any(lower < upper & is.finite(upper)))
    Surv(ifelse(lower == 0 & lower < upper & is.finite(upper), NA_real_, lower),
         ifelse(is.infinite(upper), NA_real_, upper), type = "interval2")
  else Surv(known, is.finite(upper))
  by_survfit <- survfit(times ~ 1)
  list(name = name, lower = I(lower), upper = I(ifelse(is.infinite(upper), -1, upper)),
       survfit = log_likelihood_of(by_survfit, lower, upper), npsurv = theirs$ll, excess = excess,
       log_likelihood = if (is.null(mass)) NA else sum(log(P)),
       day = I(f$right[is.finite(f$right)]),
       share = if (is.null(mass)) NULL else I(cumsum(mass)[is.finite(f$right)]))
}

draw <- function(i) {
  n <- c(3, 10, 40, 150)[i %% 4 + 1]
  step <- c(1, 3, 7)[i %% 3 + 1]
  time <- ifelse(runif(n) < 0.8, rweibull(n, 2, 30), Inf)
  last <- runif(n, 15, 60)
  first <- runif(n, 0, step)
  kind <- c("same days", "own days", "missed", "exact too", "current status")[i %% 5 + 1]
  # Looks at first, first + step, … up to the last.
  if (kind %in% c("same days", "exact too")) first <- rep(step, n)
  first <- ceiling(4 * first) / 4
  looks <- lapply(seq_len(n), function(u) {
    looks <- seq(first[u], max(last[u], first[u]), by = step)
    if (kind == "missed") looks <- looks[runif(length(looks)) < 0.5]
    if (kind == "current status") looks <- looks[sample.int(length(looks), 1)]
    looks
  })
  lower <- mapply(function(look, t) max(c(0, look[look < t])), looks, time)
  upper <- mapply(function(look, t) min(c(Inf, look[look >= t])), looks, time)
  exact <- kind == "exact too" & is.finite(upper) & runif(n) < 0.5
  upper[exact] <- lower[exact] <- pmax(0.25, round(4 * time[exact]) / 4)
  if (i %% 23 == 0) { lower[1] <- 0; upper[1] <- Inf }
  if (i %% 29 == 0) { lower <- pmin(lower, 40); upper[] <- Inf }
  list(lower = lower, upper = upper, kind = kind)
}

data(cancer, package = "npsurv")  # breast retraction, Finkelstein & Wolfe 1985, Biometrics 41:933
data(gastric, package = "npsurv")
published <- c(
  lapply(levels(cancer$group), function(g) with(subset(cancer, group == g), figures(
    paste("npsurv::cancer", g), L, R))),
  list(with(gastric, figures("npsurv::gastric", as.numeric(L), as.numeric(R)))),
  list(with(subset(survival::diabetic, time > 0), figures(
    "survival::diabetic looked at every quarter", ifelse(status == 1, 3 * floor(time / 3), time),
    ifelse(status == 1, 3 * floor(time / 3) + 3, Inf)))))
drawn <- lapply(1:280, function(i) {
  d <- draw(i)
  figures(paste("random", i, d$kind), d$lower, d$upper)
})
versions <- lapply(c("survival", "npsurv"), function(p) as.character(packageVersion(p)))
write_json(list(versions = c(list(R = paste(R.version$major, R.version$minor, sep = ".")),
                             setNames(versions, c("survival", "npsurv"))),
                turnbull = c(published, drawn)),
           commandArgs(TRUE)[1], digits = I(17), auto_unbox = TRUE, null = "null", na = "null")

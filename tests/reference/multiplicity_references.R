# Writes comparisons of several arms at once, and what R makes of them, for
# multiplicity_reference_test to recompute.
#
#   Rscript multiplicity_references.R OUTPUT.json
#
# mvtnorm: TVPACK (three variables, abseps 1e-14) is deterministic; GenzBretz is random, with the
# error it states itself, which is written beside each figure.
suppressPackageStartupMessages({
  library(survival)
  library(mvtnorm)
  library(metafor)
  library(jsonlite)
})
set.seed(20270412)

within_box <- function(c, r) {
  d <- length(c)
  algorithm <- if (d <= 3) TVPACK(abseps = 1e-14) else
    GenzBretz(maxpts = 3e5, abseps = 1e-5, releps = 0)
  # TVPACK takes one-sided boxes only: the two-sided one is a signed sum of those.
  if (d <= 3) {
    corners <- as.matrix(expand.grid(rep(list(c(-1, 1)), d)))
    value <- sum(apply(corners, 1, function(s)
      prod(s) * as.numeric(pmvnorm(upper = s * c, corr = r, algorithm = algorithm))))
    return(list(value = value, error = 1e-13))
  }
  p <- pmvnorm(lower = -c, upper = c, corr = r, algorithm = algorithm)
  list(value = as.numeric(p), error = attr(p, "error"))
}

box <- function(i) {
  d <- 2 + i %% 7
  if (i %% 3 == 0) {                       # products, as in Dunnett's designs
    l <- runif(d, -0.95, 0.95)
    r <- outer(l, l)
    diag(r) <- 1
  } else {
    r <- cov2cor(crossprod(matrix(rnorm(d * (d + 2)), d + 2)))
  }
  c <- if (i %% 2 == 0) rep(runif(1, 0.5, 3), d) else runif(d, 0.3, 3)
  c(list(name = paste("box", i), c = I(c), r = I(as.vector(r)),
         product = i %% 3 == 0 || d == 2), within_box(c, r))
}

draw <- function(i) {
  arms <- 3 + i %% 3
  blocks <- c(4, 9, 30)[i %% 3 + 1]
  block <- rep(seq_len(blocks), each = arms * 2)
  arm <- rep(seq_len(arms) - 1L, blocks * 2)
  frailty <- rgamma(blocks, 2, 2)[block]
  event <- rexp(length(arm), frailty * (1 + arm / 5) / 20)
  stop_at <- runif(length(arm), 10, 60)
  step <- c(1, 3)[i %% 2 + 1]
  d <- data.frame(time = step * ceiling(pmin(event, stop_at) / step),
                  event = as.integer(event <= stop_at), arm = arm, block = block)
  d[runif(nrow(d)) < 0.9, , drop = FALSE]
}

joint <- function(name, d) {
  tau <- floor(0.8 * min(tapply(d$time, d$arm, max)))
  if (any(tapply(seq_len(nrow(d)), d$arm, function(rows) {
    e <- d$time[rows][d$event[rows] == 1]
    length(unique(e[e <= tau])) < 2 })))
    return(NULL)                           # residuals.survfit fails there
  others <- setdiff(sort(unique(d$arm)), 0)
  mean_of <- function(a) {
    fit <- survfit(Surv(time, event) ~ 1, d[d$arm == a, ])
    unname(summary(fit, rmean = tau)$table["rmean"])
  }
  influence <- numeric(nrow(d))
  for (a in c(0, others)) {
    own <<- d[d$arm == a, ]                # residuals.survfit looks there only
    fit <- survfit(Surv(time, event) ~ 1, own)
    influence[d$arm == a] <- residuals(fit, times = tau, type = "auc")
  }
  # Wald's test that the differences are all the same.
  homogeneity <- function(difference, covariance) {
    contrast <- cbind(-1, diag(length(difference) - 1))
    apart <- contrast %*% difference
    statistic <- drop(t(apart) %*% solve(contrast %*% covariance %*% t(contrast), apart))
    list(statistic = statistic,
         p = pchisq(statistic, length(difference) - 1, lower.tail = FALSE))
  }
  # The first difference without each block: both curves fitted anew.
  without <- function(left) {
    kept <- d[d$block != left & d$arm %in% 0:1, ]
    means <- sapply(1:0, function(a) {
      own <- kept[kept$arm == a, ]
      if (nrow(own) == 0) return(NA)
      if (min(own$time) > tau) return(tau)
      fit <- survfit(Surv(time, event) ~ 1, own)
      if (max(own$time) < tau && min(fit$surv) > 1e-12) return(NA)
      unname(summary(fit, rmean = tau)$table["rmean"])
    })
    means[1] - means[2]
  }
  left_out <- sapply(unique(d$block[d$arm %in% 0:1]), without)
  by_block <- sapply(others, function(a)
    rowsum(influence * (d$arm == a) - influence * (d$arm == 0), d$block))
  list(name = name, time = I(d$time), event = I(d$event), arm = I(d$arm), block = I(d$block),
       tau = tau, difference = I(sapply(others, mean_of) - mean_of(0)),
       covariance = I(as.vector(crossprod(by_block))),
       homogeneity = homogeneity(sapply(others, mean_of) - mean_of(0), crossprod(by_block)),
       left_out = list(lowest = min(left_out, na.rm = TRUE), highest = max(left_out, na.rm = TRUE),
                       count = sum(!is.na(left_out))))
}

# Independent effects: the test is Cochran's Q.
independent <- function(i) {
  k <- 2 + i %% 8
  effect <- rnorm(k, 0, 3)
  variance <- rexp(k) + 0.05
  fit <- rma(effect, variance, method = "FE")
  list(name = paste("effects", i), effect = I(effect), variance = I(variance), q = fit$QE,
       p = fit$QEp)
}

p_values <- function(i) {
  p <- c(runif(1 + i %% 12)^3, if (i %% 2 == 0) c(0.5, 0.5), if (i %% 5 == 0) c(0, 1))
  list(name = paste("p", i), p = I(p), holm = I(p.adjust(p, "holm")), bh = I(p.adjust(p, "BH")))
}

# Equal groups: correlation 1/2 between all. For two and three arms the root is of TVPACK's value.
critical <- function(d, level) {
  r <- matrix(0.5, d, d)
  diag(r) <- 1
  excess <- function(c) within_box(rep(c, d), r)$value - level
  list(d = d, level = level, c = uniroot(excess, c(0.5, 5), tol = 1e-13)$root)
}

versions <- lapply(c("survival", "mvtnorm", "metafor"), function(p) as.character(packageVersion(p)))
write_json(
  list(versions = c(list(R = paste(R.version$major, R.version$minor, sep = ".")),
                    setNames(versions, c("survival", "mvtnorm", "metafor"))),
       boxes = lapply(1:280, box),
       joint = Filter(Negate(is.null), lapply(1:240, function(i) joint(paste("random", i), draw(i)))),
       p_values = lapply(1:240, p_values),
       independent = lapply(1:240, independent),
       critical = Map(critical, c(2, 3, 2, 3), c(0.9, 0.95, 0.95, 0.99))),
  commandArgs(TRUE)[1], digits = I(17), auto_unbox = TRUE, null = "null", na = "null")
